"""The facts of a batch where a real record has none: water, pours, light under the cover, lifts, nudges."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.banded import Series, banded, hours_where
from monitor.fold import fold
from monitor.growth import GrowthClock, grown_share
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from monitor.profiles import PhaseKind
from monitor.readings import from_ms, to_ms
from monitor.review import BatchFacts, Nudged
from monitor.reviewfacts import facts_of
from monitor.reviewrecord import record_of
from monitor.reviewwater import NEAR_LIMP, STANDS_OVER, pours_of, water_facts, water_left
from tests.support.farms import Book, farm, sensor_text
from tests.support.lived import reader

HOUR = 3_600_000


def minutes(values: list[float] | np.ndarray, step_min: int = 5, begin_ms: int = 0) -> Series:
    """Return a series with a value every few minutes."""
    at_ms = begin_ms + np.arange(len(values), dtype=np.int64) * step_min * 60_000
    return Series.of(at_ms, np.asarray(values, dtype=float))


def test_two_runs_an_hour_apart_are_two_and_a_swing_is_one() -> None:
    """Half an hour inside goes on counting; an hour inside ends the run."""
    cold = [18.0] * 12 + [21.0] * 6 + [17.0] * 12 + [21.0] * 12 + [19.0] * 12
    found = banded(minutes(cold), 20.0, 26.0, 0, len(cold) * 5 * 60_000)

    assert found.worst is not None
    assert found.worst.hours == pytest.approx(2.0)
    assert found.worst.dose == pytest.approx(5.0)
    assert found.worst.farthest == 17.0
    assert found.low_dose == pytest.approx(6.0)
    assert found.in_band == pytest.approx(18 / 54)


def test_a_gap_is_neither_good_nor_bad() -> None:
    """A reading stands for half an hour; the rest of three silent hours is unknown."""
    at_ms = np.array([0, 3 * HOUR], dtype=np.int64)
    found = banded(Series(at_ms=at_ms, value=np.array([10.0, 22.0]), speaks_ms=30 * 60_000), 20.0, 26.0, 0, 4 * HOUR)

    assert found.known_h == pytest.approx(1.0)
    assert found.in_band == pytest.approx(0.5)


@given(st.lists(st.floats(0, 40), min_size=1, max_size=60), st.floats(5, 30))
def test_doses_are_runs_added_up(values: list[float], low: float) -> None:
    """A law: nothing inside the band adds to a dose, and the worst run is no more than the whole."""
    found = banded(minutes(values), low, None, 0, len(values) * 5 * 60_000)

    assert found.low_dose == pytest.approx(sum(max(low - each, 0) for each in values) / 12)
    assert (found.worst.dose if found.worst else 0.0) <= found.low_dose + 1e-9
    assert found.known_h == pytest.approx(len(values) / 12)


def test_water_comes_back_from_its_weight() -> None:
    """A tray made heavier by its plants gives the fraction that it was made from."""
    clock = GrowthClock(sown_at=from_ms(0), usual=timedelta(days=8))
    at_ms = np.arange(0, 8 * 24 * HOUR, 30 * 60_000, dtype=np.int64)
    left = 0.6 + 0.4 * np.cos(at_ms / HOUR / 10)
    plants = 330 * grown_share(clock.share(at_ms.astype(float)))
    grams = 1200 + plants + (left - 0.2) / 0.8 * 600
    found = water_left(Series.of(at_ms, grams), full_g=1800, limp_g=1200, wilting=0.2, yield_g=330, clock=clock)

    assert found.value == pytest.approx(left)


def test_driest_and_wettest_point() -> None:
    """When, how much, hours limp, and how long water stood."""
    left = np.concatenate((np.linspace(1.2, 1.0, 60), np.linspace(1.0, 0.1, 120), np.full(36, 0.15)))
    found = water_facts(minutes(left), 0.2, 0, len(left) * 5 * 60_000)

    assert found.driest == pytest.approx(0.1, abs=0.01)
    assert found.driest_ms == pytest.approx(179 * 5 * 60_000, abs=10 * 60_000)
    assert found.wettest == pytest.approx(1.2, abs=0.01)
    assert found.limp_h == pytest.approx((36 + 120 * (0.1 + NEAR_LIMP) / 0.9) / 12, abs=0.2)
    assert found.soaked_h == pytest.approx(60 * (1.2 - STANDS_OVER) / 0.2 / 12, abs=0.2)


def test_pours_are_told_apart_by_who_knew_of_them() -> None:
    """One asked for and late, one that nobody asked for, one that only the weight shows."""
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "radish", 4)
    book.add(EntryKind.WATERED, sown_at + timedelta(hours=5), data={"ml_per_tray": 250})
    book.add(EntryKind.WATERED, sown_at + timedelta(hours=60), data={})
    steps = np.full(12 * 90, 0.5)
    for hour in (5, 30, 60):
        steps[hour * 12 :] += 0.3
    water = minutes(steps, begin_ms=to_ms(sown_at))
    nudges = [Nudged(task="water", asked_at=sown_at + timedelta(hours=2))]
    found = pours_of(fold(book.entries)["1"].entries, water, nudges, to_ms(sown_at), to_ms(sown_at) + 90 * HOUR)

    assert [(each.entered, each.asked, each.ml) for each in found] == [
        (True, True, 250.0), (False, False, None), (True, False, None),
    ]  # fmt: skip
    assert found[0].late_h == pytest.approx(3.0)
    assert (found[1].at - sown_at) / timedelta(hours=1) == pytest.approx(30, abs=0.75)


def lived(tmp_path: Path, *, early: int, leak_lx: float) -> BatchFacts:
    """Return basil whose cover came off some days early, with a light sensor under its cover."""
    more = sensor_text("under", "light", "cellar/1/1", under_cover=True)
    where = farm(tmp_path, zone="UTC", more=more)
    book = Book("UTC")
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "basil", 4)
    book.add(EntryKind.STACKED, sown_at)
    off = sown_at + timedelta(days=4 - early)
    book.add(EntryKind.UNCOVERED, off, data={"early": early} if early else {})
    book.add(EntryKind.LIGHTS_ON, off + timedelta(days=2))
    book.add(EntryKind.HARVESTED, sown_at + timedelta(days=14))
    at_ms = to_ms(sown_at) + np.arange(0, 14 * 24 * 12, dtype=np.int64) * 300_000
    light = np.where((at_ms - to_ms(sown_at)) // HOUR % 24 < 3, leak_lx, 0.0)
    batch = fold(book.entries)["1"]
    record = record_of(
        where, shipped_profiles()["basil"], batch, reader({"under": (at_ms, light)}), now=book.at("2026-04-01")
    )
    return facts_of(record, where.zone)


@pytest.mark.parametrize(("leak_lx", "hours"), [(40.0, 3 * 4.0), (4.0, 0.0)])
def test_light_under_the_cover_is_counted(tmp_path: Path, leak_lx: float, hours: float) -> None:
    """Three hours a day over 5 lx are three hours a day; 4 lx are none."""
    found = lived(tmp_path, early=0, leak_lx=leak_lx).phase(PhaseKind.GERMINATION)

    assert found is not None
    assert found.leak_h == pytest.approx(hours)
    assert found.leak_known_h == pytest.approx(4 * 24)


def test_a_lift_before_its_day_is_kept_with_its_days(tmp_path: Path) -> None:
    """Two days early, in the phase that it ended."""
    found = lived(tmp_path, early=2, leak_lx=0).phase(PhaseKind.GERMINATION)

    assert found is not None
    assert [days for _, days in found.lifts] == [2]
    assert list(found.planned or ()) == [4, 5, 6]
    assert found.stretch.days == 2


def test_hours_on_end_end_with_an_hour_of_something_else() -> None:
    """Two spells of wet air with two dry hours between them are not one."""
    wet = [0.2] * 36 + [0.6] * 24 + [0.2] * 24

    assert hours_where(minutes(wet), 0, len(wet) * 300_000, high=0.35) == pytest.approx((5.0, 3.0, 7.0))


def test_a_silence_within_wet_air_does_not_end_it() -> None:
    """Three hours wet, five silent, two wet: five hours on end are known, none are made up."""
    at_ms = np.concatenate((np.arange(36), np.arange(96, 120))).astype(np.int64) * 300_000
    wet = Series(at_ms=at_ms, value=np.full(60, 0.2), speaks_ms=300_000)

    assert hours_where(wet, 0, 120 * 300_000, high=0.35) == pytest.approx((5.0, 5.0, 5.0))
