"""What does not come back by itself is told sooner: a store that keeps warming, and strong light under a cover."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from monitor.ledger import EntryKind
from tests.support.air import Course, found, moment
from tests.support.farms import Book, farm, sensor_text

NOW = Book().at("2026-03-20", "21:00")
over = "temperature over this place's limit"
STORE_SENSOR = sensor_text("store", "temperature", "cold")
COVER_SENSOR = sensor_text("lux", "light", "cellar/1/1", under_cover=True)


def cycle(before: float) -> float:
    """Return a store that is cooled down from 4.2 to 3 degC every three hours."""
    return 3.0 + (-before % 3) / 3 * 1.2


@pytest.mark.parametrize(
    ("course", "told"),
    [
        pytest.param(cycle, [], id="its usual cycle"),
        pytest.param(lambda b: cycle(b) + (2.5 if b < 0.2 else 0.0), [], id="a door held open for ten minutes"),
        pytest.param(lambda b: cycle(b) if b > 3 else 3.0 + (3 - b) * 0.7, [over], id="just outside after rising on"),
        pytest.param(lambda b: cycle(b) if b > 2 else 3.0 + (2 - b) * 0.9, [], id="rising on, not outside yet"),
        pytest.param(lambda b: cycle(b) + (2.5 if b < 0.4 else 0.0), [over], id="24 minutes outside by a step"),
    ],
)
def test_a_store_that_keeps_warming_is_told_as_soon_as_it_is_outside(
    tmp_path: Path, course: Course, told: list[str]
) -> None:
    """Its limit is 5 degC; else it is told after a quarter of an hour."""
    tick = moment(farm(tmp_path, more=STORE_SENSOR), Book(), NOW, {"store": course}, every=timedelta(minutes=2))

    assert [each.rule for each in found(tick, over)] == told


@pytest.mark.parametrize(
    ("lux", "minutes", "told"),
    [
        pytest.param(2000.0, 24, True, id="full light for 24 minutes"),
        pytest.param(2000.0, 16, False, id="handled for 16 minutes"),
        pytest.param(20.0, 24, False, id="a dim leak for 24 minutes"),
        pytest.param(20.0, 34, True, id="a dim leak for 34 minutes"),
    ],
)
def test_strong_light_in_the_dark_is_told_sooner(tmp_path: Path, lux: float, minutes: float, *, told: bool) -> None:
    """Radish bears 5 lx in its blackout for half an hour, twenty times that for two thirds of it."""
    book = Book()
    book.sow(NOW - timedelta(days=3), "radish", 4)
    book.add(EntryKind.UNCOVERED, NOW - timedelta(hours=12))

    def course(before: float) -> float:
        return lux if before * 60 <= minutes else 0.5

    tick = moment(farm(tmp_path, more=COVER_SENSOR), book, NOW, {"lux": course}, every=timedelta(minutes=2))

    assert bool(found(tick, "light in the dark")) is told
