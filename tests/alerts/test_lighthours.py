"""The light of a day: too short, too long, too weak, shifted; and on days when the clocks change."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from pathlib import Path

import pytest

from alerts.findings import Finding
from monitor.ledger import EntryKind
from monitor.places import LampHours
from tests.support.air import found, moment
from tests.support.farms import Book, farm, sensor_text

RULES = ("too short a day of light", "too long a day of light", "too little light so far", "lamps shifted")
LUX = sensor_text("lux", "light", "cellar/1/1", lux_per_umol=70.0)


def light_of(
    folder: Path, day: str, clock: str, spans: list[tuple[str, str]], *, lux: float = 9000.0, gap: float = 0.0
) -> list[Finding]:
    """Return what is found of the light at a time of a day, over radish long in the light.

    Args:
        folder: For the farm.
        day: Local day.
        clock: Local time.
        spans: Lit from, until: ``2026-03-07 06:00``.
        lux: How bright.
        gap: Nothing is heard in the last so many hours but ten minutes.
    """
    book = Book()
    now = book.at(day, clock)
    book.sow(now - timedelta(days=6), "radish", 4)
    book.add(EntryKind.UNCOVERED, now - timedelta(days=4))
    book.add(EntryKind.LIGHTS_ON, now - timedelta(days=3))
    lit = [(book.at(*begin.split()), book.at(*end.split())) for begin, end in spans]

    def course(before: float) -> float | None:
        at: datetime = now - timedelta(hours=before)
        if 0.17 < before < gap:
            return None
        return lux if any(begin <= at < end for begin, end in lit) else 1.0

    return found(moment(farm(folder, more=LUX), book, now, {"lux": course}), *RULES)


FULL = [("2026-03-05 06:00", "2026-03-05 22:00"), ("2026-03-06 06:00", "2026-03-06 22:00")]


@pytest.mark.parametrize(
    ("clock", "today", "rules"),
    [
        pytest.param("21:00", [("2026-03-07 06:00", "2026-03-07 22:00")], [], id="as planned"),
        pytest.param("09:00", [], [], id="dark so far, and the day is long"),
        pytest.param(
            "15:00",
            [("2026-03-07 06:00", "2026-03-07 07:00"), ("2026-03-07 14:30", "2026-03-07 22:00")],
            ["too short a day of light"],
            id="dark for half the day, and too late for twelve hours",
        ),
        pytest.param("15:00", [], [], id="dark all day: that the lamp is off says it"),
        pytest.param("23:50", [("2026-03-07 00:00", "2026-03-07 23:00")], ["too long a day of light"], id="23 hours"),
        pytest.param("12:00", [("2026-03-07 10:00", "2026-03-07 22:00")], ["lamps shifted"], id="four hours later"),
        pytest.param("12:00", [("2026-03-07 06:10", "2026-03-07 22:00")], [], id="ten minutes later"),
    ],
)
def test_the_light_of_today(tmp_path: Path, clock: str, today: list[tuple[str, str]], rules: list[str]) -> None:
    """By what it was, what can still come, and when it came on the day before."""
    listed = light_of(tmp_path, "2026-03-07", clock, [*FULL, *today])

    assert [finding.rule for finding in listed] == rules


def test_a_shift_is_told_with_its_hours(tmp_path: Path) -> None:
    """Lamps came on 4 h later than the day before."""
    (finding,) = light_of(tmp_path, "2026-03-07", "12:00", [*FULL, ("2026-03-07 10:00", "2026-03-07 22:00")])

    assert "came on at Sat 7 Mar 10:00, 4.0 h later than the day before" in finding.cause


def test_unknown_is_not_dark(tmp_path: Path) -> None:
    """Nothing heard all day: the light may have been there."""
    assert light_of(tmp_path, "2026-03-07", "15:00", FULL, gap=15.0) == []


def test_weak_light_is_told_once_half_the_day_is_over(tmp_path: Path) -> None:
    """1,500 lx through 70 lx an umol for 12 h are under a mole; radish wants more by then."""
    spans = [*FULL, ("2026-03-07 06:00", "2026-03-07 22:00")]
    (finding,) = light_of(tmp_path, "2026-03-07", "18:00", spans, lux=1500.0)

    assert finding.rule == "too little light so far"
    assert finding.value == pytest.approx(1500 / 70 * 12 * 3600 / 1e6, rel=0.01)


@pytest.mark.parametrize(("day", "before"), [("2026-03-29", "2026-03-28"), ("2026-10-25", "2026-10-24")])
def test_a_lamp_that_keeps_the_wall_clock_is_not_shifted_by_it(tmp_path: Path, day: str, before: str) -> None:
    """The clocks change in Lisbon: on at 06:00 by the wall on both days is no shift."""
    spans = [(f"{before} 06:00", f"{before} 22:00"), (f"{day} 06:00", f"{day} 22:00")]

    assert light_of(tmp_path, day, "12:00", spans) == []


def test_a_timer_that_does_not_know_of_summer_time_is_shifted(tmp_path: Path) -> None:
    """It comes on an hour later by the wall clock on the spring day."""
    spans = [("2026-03-28 06:00", "2026-03-28 22:00"), ("2026-03-29 07:00", "2026-03-29 23:00")]
    (finding,) = light_of(tmp_path, "2026-03-29", "12:00", spans)

    assert "1.0 h later" in finding.cause


def test_lamp_hours_over_midnight() -> None:
    """18:00 to 10:00 is lit at midnight and dark at noon."""
    lamp = LampHours(on=time(18), off=time(10))

    assert [lamp.is_on(time(hour)) for hour in (0, 9, 10, 12, 18)] == [True, True, False, False, True]
