"""Warmth moves the usual day of a move within its ends, and the nudge says so."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.tasks import Task, TaskKind
from monitor.fold import fold_as_of
from monitor.live import LiveBuffer
from monitor.profilefile import load_profiles
from monitor.readings import Block, Reading
from monitor.scales import Scales
from tests.support.farms import Book, farm, sensor_text

PROFILES = load_profiles(None)


def uncover_task(folder: Path, mean_c: float | None, *, zone: str = "Europe/Lisbon", hours: int = 96) -> Task:
    """Return the task of uncovering basil sown on 2 March, asked for on 6 March, in a room of some warmth."""
    where = farm(folder, zone=zone, more=sensor_text("air", "temperature", "cellar/1/1"))
    book = Book(zone)
    sown = book.at("2026-03-02")
    book.sow(sown, "basil", 4)
    now = book.at("2026-03-06", "10:00")
    scales = Scales(where.sensors)
    if mean_c is not None:
        at: list[datetime] = [sown + timedelta(minutes=20 * step) for step in range(hours * 3)]
        scales.take(Block.from_readings([Reading(sensor="air", measured_at=each, value=mean_c) for each in at]))
    tick = Tick(
        now=now, farm=where, profiles=PROFILES, batches=fold_as_of(book.entries, now), live=LiveBuffer(),
        watching_since=now, scales=scales,
    )  # fmt: skip
    return next(task for task in open_tasks(tick) if task.kind is TaskKind.UNCOVER)


@pytest.mark.parametrize(
    ("mean_c", "usual_day", "says"),
    [
        pytest.param(None, 7, "", id="no sensor: the profile's day"),
        pytest.param(25.0, 7, "", id="the middle of its band: the same day"),
        pytest.param(29.0, 6, "Warm here, 29 °C on average since sowing: a day earlier", id="warm"),
        pytest.param(20.5, 8, "Cool here, 20.5 °C on average since sowing: a day later", id="cool"),
        pytest.param(14.0, 8, "Cool here", id="cold moves no further than the latest day"),
    ],
)
def test_warmth_moves_the_usual_day(tmp_path: Path, mean_c: float | None, usual_day: int, says: str) -> None:
    """Basil over a base of 10 degC, usually five days at 25 degC, four at the earliest and six at the latest."""
    task = uncover_task(tmp_path, mean_c)

    assert task.usual_on.day == usual_day
    assert says in task.why
    assert ("on average" in task.why) == bool(says)


def test_less_than_a_day_of_record_moves_nothing(tmp_path: Path) -> None:
    """Twelve warm hours say too little."""
    assert uncover_task(tmp_path, 29.0, hours=12).usual_on.day == 7


@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Auckland"])
def test_in_other_zones_too(tmp_path: Path, zone: str) -> None:
    """Days are the farm's own."""
    assert uncover_task(tmp_path, 29.0, zone=zone).usual_on.day == 6
