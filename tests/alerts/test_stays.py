"""A room that cannot reach a band: told once with its cost, and accepted until a date."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alarms import AlarmState, step
from alerts.answers import Answer, Answers, answered
from alerts.findings import Priority, Tick
from alerts.stages import look, news_of
from monitor.phases import days_longer
from tests.support.air import PROFILES, found, moment
from tests.support.farms import Book, farm, sensor_text

AIR = sensor_text("air", "temperature", "cellar/1/1")


def cellar(folder: Path, temp_c: float, *, last_hours: float = 0, then_c: float = 0) -> Tick:
    """Return noon over basil and kale in a cellar of one temperature, another one in the last hours."""
    book = Book()
    book.sow(book.at("2026-03-05"), "basil", 4)
    book.sow(book.at("2026-03-05"), "kale", 4, "2")
    return moment(
        farm(folder, more=AIR), book, book.at("2026-03-08", "12:00"),
        {"air": lambda before: then_c if before <= last_hours else temp_c},
    )  # fmt: skip


def test_a_cellar_at_17_all_winter_is_told_with_what_it_costs(tmp_path: Path) -> None:
    """Basil wants 20: no urgent message by night, one finding with the days; kale is content."""
    (finding,) = found(cellar(tmp_path, 17.0))

    assert (finding.rule, finding.batch, finding.priority) == ("room stays too cold", "1", Priority.MEDIUM)
    assert "17 °C for two days and hardly ever came to the at least 20 °C" in finding.cause
    assert finding.consequence == f"It will take about {days_longer(PROFILES['basil'], 17.0)} days longer."
    assert "traywarden accept" in finding.action


def test_colder_than_the_room_has_been_is_wrong_all_the_same(tmp_path: Path) -> None:
    """The heater of the 17 degree cellar dies: too cold, by what that room has been."""
    rules = {finding.rule for finding in found(cellar(tmp_path, 17.0, last_hours=4, then_c=12.5))}

    assert "too cold" in rules
    assert "room stays too cold" in rules


def test_accepted_until_a_date(tmp_path: Path) -> None:
    """Suppressed by design until then, whichever batch shows it; afterwards it is told again."""
    tick = cellar(tmp_path, 17.0)
    findings = look(tick)
    until = tick.now + timedelta(days=60)
    root = "room stays too cold|cellar"
    said = Answers(accepted={root: Answer(at=tick.now, by="ines", until=until)})
    keys = [finding.key for finding in findings]
    alarms = step({}, findings, tick.now)

    during = answered(alarms, keys, said, tick.now)
    after = answered(during, keys, said, until)

    assert {alarm.state for alarm in during.values()} == {AlarmState.SUPPRESSED}
    assert news_of({}, during, tick) == ()
    assert [news.root for news in news_of({}, alarms, tick)] == [root]
    assert {alarm.state for alarm in after.values()} == {AlarmState.UNACKNOWLEDGED}


@pytest.mark.parametrize(("mean_c", "days"), [(9.0, None), (25.0, 0), (30.0, 0)])
def test_days_longer_by_the_heat_sum(mean_c: float, days: int | None) -> None:
    """Under the base nothing grows; at or above the middle of the band it takes no longer."""
    assert days_longer(PROFILES["basil"], mean_c) == days
