"""A lamp from 20:00 to 04:00, on nights when the clocks change and on 29 February: hours, rules and days.

[RFC5545] 3.3.5 for local times. The lamp's true instants are written in UTC here and not worked out by a zone.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from alerts.alarms import Alarm, step
from alerts.findings import Tick
from alerts.stages import look, news_of
from monitor.farmfile import parse_farm
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.light import light_days
from monitor.live import LiveBuffer
from monitor.places import LampHours
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Quantity, Reading, to_ms
from tests.support.farms import TEXT, Book, sensor_text

LISBON = ZoneInfo("Europe/Lisbon")
PROFILES = shipped_profiles()
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
NIGHT = LampHours(on=time(20), off=time(4))

# (local day of the morning, lamp on, lamp off, the same of the next night) in UTC; Lisbon is on UTC in winter.
NIGHTS = [
    pytest.param(
        date(2026, 3, 29),
        [("2026-03-28T20:00Z", "2026-03-29T03:00Z"), ("2026-03-29T19:00Z", "2026-03-30T03:00Z")],
        (7, 16, 23),
        id="the clocks go forward while it is lit",
    ),
    pytest.param(
        date(2026, 10, 25),
        [("2026-10-24T19:00Z", "2026-10-25T04:00Z"), ("2026-10-25T20:00Z", "2026-10-26T04:00Z")],
        (9, 16, 25),
        id="the clocks go back while it is lit",
    ),
    pytest.param(
        date(2028, 2, 29),
        [("2028-02-28T20:00Z", "2028-02-29T04:00Z"), ("2028-02-29T20:00Z", "2028-03-01T04:00Z")],
        (8, 16, 24),
        id="29 February",
    ),
]  # fmt: skip
Night = tuple[str, str]


def begin_of(lit: list[Night]) -> datetime:
    """Return some hours before the lamp first comes on."""
    return datetime.fromisoformat(lit[0][0]) - 4 * HOUR


@pytest.mark.parametrize(
    ("wall", "is_on"),
    [
        ("19:59:59", False), ("20:00", True), ("23:59:59.999", True), ("00:00", True), ("03:59:59", True),
        ("04:00", False), ("12:00", False),
    ],
)  # fmt: skip
def test_a_lamp_over_midnight_is_on_from_its_first_to_before_its_last_instant(wall: str, is_on: bool) -> None:
    """On at 20:00 itself, dark at 04:00 itself."""
    assert NIGHT.is_on(time.fromisoformat(wall)) is is_on


def test_a_lamp_by_day_and_a_lamp_that_is_never_dark() -> None:
    """From 6 to 22, and from midnight to midnight."""
    day, always = LampHours(on=time(6), off=time(22)), LampHours(on=time(0), off=time(0))

    assert [day.is_on(time(hour)) for hour in (5, 6, 21, 22, 0)] == [False, True, True, False, False]
    assert all(always.is_on(time(hour)) for hour in range(24))


def course(lit: list[Night], begin: datetime, end: datetime) -> list[Reading]:
    """Return what a light sensor says every five minutes."""
    spans = [(datetime.fromisoformat(on), datetime.fromisoformat(off)) for on, off in lit]
    count = int((end - begin) / (5 * MINUTE))
    at = [begin + place * 5 * MINUTE for place in range(count)]
    return [
        Reading(sensor="l", measured_at=each, value=9000.0 if any(on <= each < off for on, off in spans) else 1.0)
        for each in at
    ]


@pytest.mark.parametrize(("day", "lit", "hours"), NIGHTS)
def test_hours_of_light_of_the_local_day(day: date, lit: list[Night], hours: tuple[int, int, int]) -> None:
    """Lit and dark by the local day, which has 23, 25 or 24 hours."""
    begin = begin_of(lit)
    readings = course(lit, begin, begin + 48 * HOUR)
    at_ms = np.array([to_ms(each.measured_at) for each in readings])
    values = np.array([each.value for each in readings])
    (found,) = light_days(at_ms, values, Quantity.LIGHT, day, day, LISBON, now_ms=int(at_ms[-1]) + 300_000)

    assert (found.lit_h, found.dark_h, found.unknown_h) == pytest.approx((*hours[:2], 0.0))
    assert found.lit_h + found.dark_h == hours[2]


def told(folder: Path, lit: list[Night], begin: datetime) -> list[tuple[datetime, str]]:
    """Return what is told over radish in the light, looked at every five minutes for 40 hours."""
    text = TEXT.format(zone="Europe/Lisbon", more=sensor_text("l", "light", "cellar/1/1"))
    where = parse_farm(text.replace("06:00-22:00", "20:00-04:00"), file="farm.toml", folder=folder)
    book = Book()
    book.sow(begin - timedelta(days=5), "radish", 4)
    book.add(EntryKind.UNCOVERED, begin - timedelta(days=3))
    book.add(EntryKind.LIGHTS_ON, begin - timedelta(days=1))
    live, alarms, news = LiveBuffer(), dict[str, Alarm](), []
    for reading in course(lit, begin, begin + 40 * HOUR):
        live.take(Block.from_readings([reading]))
        now = reading.measured_at
        tick = Tick(now=now, farm=where, profiles=PROFILES, batches=fold(book.entries), live=live, watching_since=begin)
        after = step(alarms, look(tick), now)
        news += [(now, each.title.split(":")[0]) for each in news_of(alarms, after, tick)]
        alarms = after
    return news


@pytest.mark.parametrize("lit", [pytest.param(each.values[1], id=each.id) for each in NIGHTS])
def test_a_lamp_that_follows_the_wall_clock_is_never_told(tmp_path: Path, lit: list[Night]) -> None:
    """Most of two nights and the day between: nothing."""
    assert told(tmp_path, lit, begin_of(lit)) == []


@pytest.mark.parametrize(
    ("lit", "at", "what"),
    [
        pytest.param(
            [("2026-03-28T20:00Z", "2026-03-29T04:00Z"), ("2026-03-29T20:00Z", "2026-03-30T04:00Z")],
            datetime(2026, 3, 29, 3, 30, tzinfo=UTC), "Lamp is on at night", id="spring: an hour too long",
        ),
        pytest.param(
            [("2026-10-24T19:00Z", "2026-10-25T03:00Z"), ("2026-10-25T19:00Z", "2026-10-26T03:00Z")],
            datetime(2026, 10, 25, 3, 30, tzinfo=UTC), "Lamp is off", id="autumn: an hour too short",
        ),
    ],
)  # fmt: skip
def test_a_timer_that_nobody_moved_is_told(tmp_path: Path, lit: list[Night], at: datetime, what: str) -> None:
    """Half an hour after the lamp and its hours have come apart."""
    assert told(tmp_path, lit, begin_of(lit))[0] == (at, what)
