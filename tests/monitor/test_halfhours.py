"""The middles of half hours, however their readings come, and what they take in memory."""

from __future__ import annotations

from collections import defaultdict
from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.crosscheck import SPAN
from monitor.halfhours import HalfHours, middle_of
from monitor.loadcell import BIN_MS

SERIES = 3
MINUTES = st.integers(0, 7 * 30)
VALUES = st.integers(-2000, 10_200).map(lambda hundredths: hundredths / 100)
READING = st.tuples(st.integers(0, SERIES - 1), MINUTES, VALUES)


def plainly(rows: list[tuple[int, int, float]]) -> dict[tuple[int, int], float]:
    """Return the middle of each half hour of each series, from all readings; of one instant the last counts."""
    heard: dict[tuple[int, int], dict[int, float]] = defaultdict(dict)
    for number, minute, value in rows:
        heard[number, minute * 60_000 // BIN_MS][minute] = value
    return {key: median(readings.values()) for key, readings in heard.items()}


def heard_of(rows: list[tuple[int, int, float]]) -> dict[int, dict[int, float]]:
    """Return readings by series and instant."""
    heard: dict[int, dict[int, float]] = {}
    for number, minute, value in rows:
        heard.setdefault(number, {})[minute * 60_000] = value
    return heard


@given(st.lists(st.lists(READING, max_size=40), max_size=6), st.lists(READING, max_size=10), st.booleans())
def test_however_readings_come_the_middles_are_theirs(
    batches: list[list[tuple[int, int, float]]], more: list[tuple[int, int, float]], ask_between: bool
) -> None:
    """In any order and pieces, twice with another value, asked in between or not, added or not; to the 0.005."""
    hours, asked = HalfHours(SERIES), np.arange(7)
    for batch in batches:
        hours.add([(number, minute * 60_000, value) for number, minute, value in batch])
        if ask_between:
            hours.middles(range(SERIES), asked, {})
    found = hours.middles(range(SERIES), asked, heard_of(more))

    wanted = plainly([row for batch in batches for row in batch] + more)
    for number in range(SERIES):
        for half_hour in range(7):
            middle = wanted.get((number, half_hour), np.nan)
            assert found[number, half_hour] == pytest.approx(middle, abs=1e-9, nan_ok=True)


def test_a_middle_lies_within_half_a_step_of_the_median() -> None:
    """Whatever a sensor shows: half of 0.005, and what lies far outside tray rooms stays far outside."""
    rng = np.random.default_rng(5)

    assert all(abs(middle_of([value]) - value) <= 0.0025 + 1e-9 for value in rng.uniform(-20, 102, 1000).tolist())
    assert middle_of([1e9]) > 160
    assert middle_of([-1e9]) < -160


def test_as_far_back_as_asked_and_no_farther() -> None:
    """A half hour is overwritten by the one that comes SPAN later, and forgotten where nothing comes instead."""
    hours, last = HalfHours(1), 5 * SPAN
    for half_hour in range(last - SPAN - 1, last + 1):
        if half_hour % 3:
            hours.add([(0, half_hour * BIN_MS + 60_000, half_hour / 100)])
    asked = np.arange(last - SPAN - 1, last + 3)
    (found,) = hours.middles([0], asked, {})
    newest = last if last % 3 else last - 1

    heard = (asked % 3 != 0) & (asked > newest - SPAN) & (asked <= newest)
    assert found == pytest.approx(np.where(heard, asked / 100, np.nan), nan_ok=True)


def test_a_silence_longer_than_all_that_is_kept_leaves_nothing_old() -> None:
    """What was heard before it is not taken for what came in its place."""
    hours = HalfHours(1)
    hours.add((0, half_hour * BIN_MS, 21.0) for half_hour in range(100))
    hours.add([(0, (100 + 2 * SPAN) * BIN_MS, 22.0)])
    (found,) = hours.middles([0], np.arange(101 + SPAN, 101 + 2 * SPAN), {})

    assert np.flatnonzero(~np.isnan(found)).tolist() == [SPAN - 1]


def test_a_late_reading_counts_for_four_hours() -> None:
    """After that it changes no middle, and what was said then is not known any more."""
    hours, begin = HalfHours(1), 1_000
    hours.add((0, (begin + half_hour) * BIN_MS, 20.0) for half_hour in range(10))
    late = {(begin + half_hour) * BIN_MS + 1: 22.0 for half_hour in range(10)}
    (beside,) = hours.middles([0], np.arange(begin, begin + 10), {0: late})
    hours.add((0, at_ms, value) for at_ms, value in late.items())
    (found,) = hours.middles([0], np.arange(begin, begin + 10), {})

    assert found.tolist() == beside.tolist() == [20.0] * 2 + [21.0] * 8
    assert [hours.said(0, at_ms) for at_ms in late] == [None] * 2 + [22.0] * 8
    assert hours.said(0, begin * BIN_MS + 2) is None
