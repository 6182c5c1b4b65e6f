"""What is wrong with the monitor itself is told as one root, and not as thirty silent sensors."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alarms import step
from alerts.stages import look, news_of
from monitor.health import Health
from tests.support.air import found, moment
from tests.support.farms import Book, farm, sensor_text

BOOK = Book()
NOW = BOOK.at("2026-03-08", "12:00")
HOUR = timedelta(hours=1)
SENSORS = "".join(sensor_text(f"t{shelf}", "temperature", f"cellar/1/{shelf}") for shelf in (1, 2, 3))


@pytest.mark.parametrize(
    ("health", "rules"),
    [
        pytest.param(Health(), [], id="all is well"),
        pytest.param(Health(broker_gone_since=NOW - HOUR), ["broker is gone"], id="the broker is gone"),
        pytest.param(Health(broker_gone_since=NOW - HOUR / 30), [], id="for two minutes"),
        pytest.param(
            Health(trouble="the disk is read-only", trouble_since=NOW - HOUR), ["readings are not taken in"],
            id="the store refuses",
        ),
        pytest.param(Health(disk_free_bytes=90_000_000, disk_free_share=0.001), ["disk is nearly full"], id="no room"),
        pytest.param(Health(clock_jumped_at=NOW, clock_jumped_by=3 * HOUR), ["clock jumped"], id="the clock was set"),
        pytest.param(Health(clock_jumped_at=NOW - 2 * HOUR, clock_jumped_by=HOUR), [], id="two hours ago"),
    ],
)  # fmt: skip
def test_the_monitor_itself(tmp_path: Path, health: Health, rules: list[str]) -> None:
    """Each with cause, consequence and what to do."""
    tick = replace(moment(farm(tmp_path, more=SENSORS), BOOK, NOW, {}), health=health, watching_since=NOW)

    assert [finding.rule for finding in found(tick)] == rules


def test_a_broker_that_goes_is_one_piece_of_news(tmp_path: Path) -> None:
    """Three sensors silent for hours behind it are not told."""
    silent = moment(farm(tmp_path, more=SENSORS), BOOK, NOW, dict.fromkeys(("t1", "t2", "t3"), 21.0), hours=6)
    later = replace(silent, now=NOW + 3 * HOUR)
    gone = replace(later, health=Health(broker_gone_since=NOW), memo={})
    (news,) = news_of({}, step({}, look(gone), gone.now), gone)

    assert [finding.rule for finding in look(later)] == ["nothing is heard"]
    assert news.title == "Broker is gone"
    assert "has not answered since Sun 8 Mar 12:00" in news.text
