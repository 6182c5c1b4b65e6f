"""What a batch's days were, gathered: which sensor speaks when, where it stood, what was wanted, its water."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from alerts.findings import Tick
from dashboards.batchdays import days_of, deficit_series
from dashboards.daypicture import DayPicture, Panel
from dashboards.stretches import places_of
from dashboards.waterdays import half_hours
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind, effective
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Flag, Reading, to_ms
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import Book, farm, sensor_text

PROFILES = shipped_profiles()
HOUR = timedelta(hours=1)
SENSORS = (
    sensor_text("air-1", "temperature", "cellar/1")
    + sensor_text("air-2", "temperature", "cellar/2")
    + sensor_text("damp-1", "humidity", "cellar/1")
    + sensor_text("lux-1", "light", "cellar/1")
    + sensor_text("scale", "weight", "cellar/1/2", dry_g=1150, full_g=1850)
)


def readings(name: str, begin: datetime, values: list[float], flag: Flag = Flag.PASS) -> list[Reading]:
    """Return hourly readings of one sensor."""
    return [
        Reading(sensor=name, measured_at=begin + HOUR * place, value=value, flag=flag)
        for place, value in enumerate(values)
    ]


def gathered(folder: Path, where: Farm, book: Book, rows: list[Reading], now: datetime) -> DayPicture:
    """Return the days of batch 1 at an instant."""
    store = SqliteReadingStore(folder / "readings.db")
    store.append(Block.from_readings(rows))
    tick = Tick(
        now=now,
        farm=where,
        profiles=PROFILES,
        batches=fold_as_of(book.entries, now),
        live=LiveBuffer(),
        watching_since=now,
        entries=effective(book.entries),
    )
    batch = tick.batches["1"]
    try:
        return days_of(batch, PROFILES[batch.crop], tick, store.read)
    finally:
        store.close()


def panel(picture: DayPicture, name: str) -> Panel:
    """Return one panel by its name."""
    return next(each for each in picture.panels if each.name == name)


def a_radish_week() -> Book:
    """Return a book: sown on rack 2, uncovered to rack 1 shelf 1 on day 2, into the light on shelf 2 on day 4."""
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "radish", 4, spot="cellar/2/1")
    book.add(EntryKind.STACKED, sown_at + HOUR / 2, trays=4, stack="S1", data={"weight_kg": 5})
    book.add(EntryKind.UNCOVERED, sown_at + 48 * HOUR, data={"to": "cellar/1/1"})
    book.add(EntryKind.LIGHTS_ON, sown_at + 96 * HOUR, data={"to": "cellar/1/2"})
    book.add(EntryKind.WATERED, sown_at + 97 * HOUR, data={"ml_per_tray": 300})
    return book


def test_trays_are_spoken_for_by_where_they_stood_then(tmp_path: Path) -> None:
    """Rack 2's air until they were uncovered to rack 1; damp and light only from the light on, never under cover."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")
    rows = readings("air-2", sown_at, [18.0] * 150) + readings("air-1", sown_at, [22.0] * 150)
    rows += readings("damp-1", sown_at, [60.0] * 150) + readings("lux-1", sown_at, [9000.0] * 150)

    picture = gathered(tmp_path, farm(tmp_path, more=SENSORS), book, rows, sown_at + 120 * HOUR)

    assert [shade.name for shade in picture.phases] == ["germination", "blackout", "light"]
    air = panel(picture, "temperature").traces[0]
    assert set(air.value[air.at_ms < to_ms(sown_at + 48 * HOUR)]) == {18.0}
    assert set(air.value[air.at_ms >= to_ms(sown_at + 48 * HOUR)]) == {22.0}
    damp = panel(picture, "humidity")
    assert damp.traces[0].at_ms[0] == to_ms(sown_at + 96 * HOUR)
    assert [silence.why for silence in damp.silences] == ["not measured under the cover"]
    assert damp.silences[0].ends_at == sown_at + 96 * HOUR
    assert panel(picture, "vapour pressure deficit").traces[0].value[0] == pytest.approx(1.057, abs=0.005)


def test_each_phase_wants_its_own(tmp_path: Path) -> None:
    """The bands drawn are the profile's, phase by phase; a room's band of damp is not asked under a cover."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")

    picture = gathered(tmp_path, farm(tmp_path, more=SENSORS), book, [], sown_at + 120 * HOUR)

    plans = {plan.kind.value: plan for plan in PROFILES["radish"].phases}
    wanted = {(each.begins_at, each.low, each.high) for each in panel(picture, "temperature").wanted}
    for shade in picture.phases:
        band = next(iter(plans[shade.name].bands.values()))[0]
        assert (shade.begins_at, band.low, band.high) in wanted
    assert all(each.begins_at >= sown_at + 96 * HOUR for each in panel(picture, "humidity").wanted)


def test_water_left_follows_the_weight_and_the_set_up(tmp_path: Path) -> None:
    """What plants weigh is no water; a tray lifted for a minute is no dip; nothing is said under a cover."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")
    lit_at = sown_at + 96 * HOUR
    minutes = [1500.0] * 61
    minutes[10] = 0.0
    rows = [
        Reading(sensor="scale", measured_at=lit_at + timedelta(minutes=place), value=value, flag=Flag.PASS)
        for place, value in enumerate(minutes)
    ]

    picture = gathered(tmp_path, farm(tmp_path, more=SENSORS), book, rows, lit_at + 2 * HOUR)

    water = panel(picture, "water left in a tray").traces[0]
    profile = PROFILES["radish"]
    wilting = profile.wilting_fraction.value * 100
    bare = wilting + (100 - wilting) * (1500 - 1150) / (1850 - 1150)
    assert water.value.max() < bare  # plants weigh something on day 4, and are not water
    assert water.value.min() > bare - 20
    assert panel(picture, "weight of a tray").traces[0].value.min() == 0.0


def test_doubtful_readings_are_not_drawn_and_gaps_stay(tmp_path: Path) -> None:
    """A failed reading leaves a gap in the share of time that is known."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")
    rows = readings("air-2", sown_at, [18.0] * 20) + readings("air-2", sown_at + 20 * HOUR, [99.0] * 5, Flag.FAIL)

    picture = gathered(tmp_path, farm(tmp_path, more=SENSORS), book, rows, sown_at + 30 * HOUR)

    assert panel(picture, "temperature").traces[0].value.max() == 18.0


def test_marks_tell_what_was_done_and_in_which_row(tmp_path: Path) -> None:
    """Moves, water and notes stand in rows of their own."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")
    book.add(EntryKind.NOTED, sown_at + 98 * HOUR, data={"text": "even"})

    picture = gathered(tmp_path, farm(tmp_path), book, [], sown_at + 120 * HOUR)

    assert [(mark.what, mark.row) for mark in picture.marks] == [
        ("sown", "moved on"),
        ("stacked", "moved on"),
        ("uncovered", "moved on"),
        ("lights on", "moved on"),
        ("watered", "watered"),
        ("noted", "noted"),
    ]
    assert picture.panels == ()


@pytest.mark.parametrize(
    ("day", "clock", "lit_h"),
    [
        pytest.param("2026-03-28", "12:00", 16.0, id="an ordinary day"),
        pytest.param("2026-03-29", "12:00", 16.0, id="a day of 23 hours, its lamp hours by day"),
        pytest.param("2026-10-25", "12:00", 16.0, id="a day of 25 hours"),
    ],
)
def test_lamp_hours_are_those_of_the_wall_clock(tmp_path: Path, day: str, clock: str, lit_h: float) -> None:
    """06:00 to 22:00 local, on days on which the clocks change too."""
    book = Book()
    noon = book.at(day, clock)
    book.sow(noon - 60 * HOUR, "radish", 4)

    picture = gathered(tmp_path, farm(tmp_path), book, [], noon + 24 * HOUR)

    own = [(on, off) for on, off in picture.lit if on == book.at(day, "06:00")]
    assert [(off - on) / HOUR for on, off in own] == [lit_h]


def test_a_soak_has_no_air_yet(tmp_path: Path) -> None:
    """What soaks is measured by nobody, and the picture says so."""
    book = Book()
    begun = book.at("2026-03-02")
    book.add(EntryKind.SOAKED, begun, data={"crop": "pea", "trays_planned": 4})

    picture = gathered(tmp_path, farm(tmp_path, more=SENSORS), book, [], begun + 5 * HOUR)

    assert [shade.name for shade in picture.phases] == ["soak"]
    assert panel(picture, "temperature").silences[0].why == "in soak"


def test_where_trays_stood_is_followed_back(tmp_path: Path) -> None:
    """From the last place to the first, through every move."""
    book = a_radish_week()
    sown_at = book.at("2026-03-02")
    batch = fold_as_of(book.entries, sown_at + 120 * HOUR)["1"]

    found = places_of(batch, batch.standing[0], sown_at, sown_at + 120 * HOUR)

    assert [(since, spot) for since, _, spot in found] == [
        (sown_at, "cellar/2/1"),
        (sown_at + 48 * HOUR, "cellar/1/1"),
        (sown_at + 96 * HOUR, "cellar/1/2"),
    ]


def test_the_deficit_needs_both_near_each_other() -> None:
    """Humidity without a temperature within three quarters of an hour tells nothing."""
    minute = 60_000
    temp_ms = np.array([0, 10 * minute], dtype=np.int64)
    damp_ms = np.array([5 * minute, 200 * minute], dtype=np.int64)

    at_ms, kpa = deficit_series(temp_ms, np.array([20.0, 22.0]), damp_ms, np.array([60.0, 60.0]))

    assert at_ms.tolist() == [5 * minute]
    assert kpa[0] == pytest.approx(0.4 * 2.487, abs=0.001)  # 2.487 kPa at 21 degC by [FAO56] eq. 11


def test_half_hours_take_the_median() -> None:
    """One wild reading among thirty moves nothing."""
    at_ms = np.arange(60, dtype=np.int64) * 60_000
    value = np.full(60, 7.0)
    value[3] = 500.0

    middles, medians = half_hours(at_ms, value)

    assert middles.tolist() == [15 * 60_000, 45 * 60_000]
    assert medians.tolist() == [7.0, 7.0]
