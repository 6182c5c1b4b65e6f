"""A long series is made short without losing what a grower looks for in it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.thin import runs, thin

MINUTE = 60_000
HALF_HOUR = 30 * MINUTE


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=400), st.integers(1, 60))
def test_thinning_keeps_the_extremes_and_the_gaps(values: list[float], points: int) -> None:
    """Lowest and highest of each run stay, and its ends; a gap of an hour stays a gap."""
    value = np.array(values)
    at_ms = np.arange(len(values), dtype=np.int64) * MINUTE
    half = len(values) // 2
    at_ms[half:] += 60 * MINUTE

    times, kept = thin(at_ms, value, points=points, gap_ms=HALF_HOUR)

    hole = int(np.flatnonzero(np.isnan(kept))[0])
    assert np.isnan(kept).sum() == 1
    assert (kept[:hole].min(), kept[:hole].max()) == (value[:half].min(), value[:half].max())
    assert (kept[hole + 1 :].min(), kept[hole + 1 :].max()) == (value[half:].min(), value[half:].max())
    assert (times[0], times[hole - 1], times[hole + 1], times[-1]) == (
        at_ms[0],
        at_ms[half - 1],
        at_ms[half],
        at_ms[-1],
    )
    assert (np.diff(times) > 0).all()


@pytest.mark.parametrize("at", [1, 777, 5_000, 9_998])
def test_a_single_wild_reading_among_ten_thousand_is_seen(at: int) -> None:
    """A door opened for a minute is what somebody looks for."""
    value = 20 + 0.1 * np.sin(np.arange(10_000) / 50)
    value[at] = 12.0
    at_ms = np.arange(10_000, dtype=np.int64) * MINUTE

    times, kept = thin(at_ms, value, points=200, gap_ms=HALF_HOUR)

    assert len(kept) <= 204
    assert int(times[int(np.argmin(kept))]) == at * MINUTE
    assert kept.min() == 12.0


def test_a_second_lesser_dip_is_seen_too() -> None:
    """Not only the extremes of the whole: each day's own dip stays where it was."""
    value = np.full(14 * 1440, 21.0) + np.random.default_rng(5).normal(0, 0.05, 14 * 1440)
    dips = [day * 1440 + 300 for day in range(14)]
    value[dips] = [15.0 + day * 0.2 for day in range(14)]
    at_ms = np.arange(len(value), dtype=np.int64) * MINUTE

    times, kept = thin(at_ms, value, points=400, gap_ms=HALF_HOUR)

    assert {dip * MINUTE for dip in dips} <= set(times[kept < 18.5].tolist())


def test_what_is_no_number_is_not_heard() -> None:
    """A stretch of NaN is a gap like any other; a lone one between neighbours is none."""
    value = np.arange(200.0)
    value[50] = np.nan
    value[100:150] = np.nan
    at_ms = np.arange(200, dtype=np.int64) * MINUTE

    times, kept = thin(at_ms, value, points=1_000, gap_ms=HALF_HOUR)

    assert [len(part) for part, _ in runs(at_ms, value, HALF_HOUR)] == [99, 50]
    assert np.isnan(kept).sum() == 1
    assert times[np.isnan(kept)] == (99 * MINUTE + 150 * MINUTE) // 2


def test_nothing_stays_nothing() -> None:
    """No reading, no point."""
    times, kept = thin(np.array([], dtype=np.int64), np.array([]), points=10, gap_ms=HALF_HOUR)

    assert len(times) == len(kept) == 0
