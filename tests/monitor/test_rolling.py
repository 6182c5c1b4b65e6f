"""Rolled-up series: what a bin holds, that longer bins are whole sums of short ones, and that packing loses nothing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import StoreError
from monitor.fixedpoint import as_fixed, values_of
from monitor.readings import Flag, to_ms
from monitor.rolling import DAY_MS, Bins, Width, coarser, hand_on, join, no_bins, roll
from monitor.stores.rolled import days_together, pack_day, span_of, unpack_day

T0 = datetime(2026, 3, 2, tzinfo=UTC)
MINUTE = 60_000


def same(one: Bins, other: Bins) -> bool:
    """Tell whether two rolled-up series are equal to the last bit, NaN equal to NaN."""
    return all(
        getattr(one, name).tobytes() == getattr(other, name).tobytes()
        for name in ("from_ms", "count", "good", "total", "low", "high")
    )


def test_a_bin_holds_what_is_good_and_counts_all() -> None:
    """Low, mean and high are of flags 1 and 2; the count is of any flag; a bin without a good one is NaN."""
    at = to_ms(T0) + MINUTE * np.array([0, 1, 4, 5, 12])
    value = np.array([20.0, 21.0, 99.0, 22.5, -80.0])
    flag = np.array([Flag.PASS, Flag.NOT_EVALUATED, Flag.FAIL, Flag.PASS, Flag.SUSPECT], dtype=np.int8)

    rolled = hand_on(["air"], [roll(at, value, flag)], Width.FIVE_MINUTES)

    assert ((rolled.from_ms - to_ms(T0)) // MINUTE).tolist() == [0, 5, 10]
    assert (rolled.count.tolist(), rolled.good.tolist()) == ([3, 1, 1], [2, 1, 0])
    assert rolled.good_share().tolist() == [pytest.approx(2 / 3), 1.0, 0.0]
    assert np.isnan([rolled.low[2], rolled.mean[2], rolled.high[2]]).all()
    assert [rolled.low[0], rolled.mean[0], rolled.high[0]] == [20.0, 20.5, 21.0]


@given(
    st.lists(
        st.tuples(
            st.integers(-2 * DAY_MS, 2 * DAY_MS),
            st.one_of(
                st.integers(-9999, 9999).map(lambda n: n / 100),
                st.floats(-1e9, 1e9, allow_nan=False, allow_infinity=False),
            ),
            st.sampled_from([1, 2, 3, 4]),
        ),
        min_size=1,
        max_size=60,
        unique_by=lambda row: row[0],
    )
)
def test_bins_are_what_pandas_makes_of_the_same_readings(rows: list[tuple[int, float, int]]) -> None:
    """Independent reckoning, for instants before 1970 too."""
    rows.sort()
    at = np.array([row[0] for row in rows], dtype=np.int64)
    value = np.array([row[1] for row in rows])
    flag = np.array([row[2] for row in rows], dtype=np.int8)
    table = pd.DataFrame({"bin": at // 3_600_000 * 3_600_000, "value": value, "good": flag <= 2})
    groups = table[table.good].groupby("bin").value.agg(["min", "max", "mean"])
    groups = groups.reindex(sorted(table.bin.unique()))

    rolled = hand_on(["x"], [coarser(roll(at, value, flag), Width.HOUR)], Width.HOUR)

    assert rolled.from_ms.tolist() == list(groups.index)
    np.testing.assert_array_equal(rolled.low, groups["min"].to_numpy())
    np.testing.assert_array_equal(rolled.high, groups["max"].to_numpy())
    np.testing.assert_allclose(rolled.mean, groups["mean"].to_numpy(), rtol=1e-9, atol=1e-9 * np.abs(value).max())
    assert rolled.count.sum() == len(rows)


@given(
    st.lists(
        st.tuples(
            st.integers(0, DAY_MS - 1),
            st.one_of(st.integers(-999999, 999999).map(lambda n: n / 1000), st.floats(allow_nan=False)),
            st.sampled_from([1, 3]),
        ),
        max_size=80,
        unique_by=lambda row: row[0],
    ),
    st.integers(-20_000, 40_000),
)
def test_a_packed_day_comes_back_to_the_last_bit(rows: list[tuple[int, float, int]], day: int) -> None:
    """Decimals, floats that no decimal holds, infinities, and bins with nothing good in them."""
    rows.sort()
    at = day * DAY_MS + np.array([row[0] for row in rows], dtype=np.int64)
    with np.errstate(invalid="ignore", over="ignore"):
        bins = roll(at, np.array([row[1] for row in rows]), np.array([row[2] for row in rows], dtype=np.int8))

    assert same(unpack_day(pack_day(bins), day), bins)


def test_a_day_of_minutes_packs_into_a_fraction_of_its_readings() -> None:
    """1,440 readings of two decimals; the same as rows of SQLite are 26 bytes each."""
    at = to_ms(T0) + MINUTE * np.arange(1440)
    noise = np.random.default_rng(1).normal(0, 0.01, 1440)
    value = np.round(21 + 2 * np.sin(np.arange(1440) / 229) + noise, 2)

    packed = pack_day(roll(at, value, np.ones(1440, dtype=np.int8)))

    assert len(packed) < 1440


def test_a_damaged_row_says_how_to_mend_it() -> None:
    """Cut short, changed, or of another version."""
    row = pack_day(roll(np.array([5]), np.array([1.0]), np.array([1], dtype=np.int8)))

    for bad in (row[:3], row[:-1], row[:6] + b"xxxx", bytes([9]) + row[1:]):
        with pytest.raises(StoreError, match="traywarden rebuild"):
            unpack_day(bad, 0)


def test_nothing_rolls_up_to_nothing() -> None:
    """No readings, no bins, at any width."""
    none = roll(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=np.int8))

    assert len(none) == len(coarser(none, Width.HOUR)) == len(join([])) == len(no_bins()) == 0


def test_spans_are_widened_to_whole_bins() -> None:
    """Whatever shares time with the span is in."""
    start, end = T0 + timedelta(minutes=62), T0 + timedelta(minutes=120)

    low, high = span_of(start, end, Width.HOUR)

    assert (low - to_ms(T0), high - to_ms(T0)) == (60 * MINUTE, 120 * MINUTE)


def test_days_are_read_together_a_month_at_most() -> None:
    """Neighbours share a span."""
    assert days_together([3, 1, 2, 9]) == [(1, 3), (9, 9)]
    assert days_together(range(40)) == [(0, 30), (31, 39)]


@given(st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=50), st.integers(0, 6))
def test_decimals_are_steps_and_come_back(whole: list[int], places: int) -> None:
    """What reads as a decimal of up to six places fits, in no more places than that."""
    values = np.array([float(f"{n}e-{places}") for n in whole])

    fixed = as_fixed(values)

    assert fixed.fits.all()
    assert fixed.places <= places
    assert values_of(fixed.steps, fixed.places).tobytes() == values.tobytes()


def test_what_is_no_decimal_is_marked() -> None:
    """A third, a negative nought, infinity, what is too large: each stands alone among decimals."""
    values = np.array([21.35, 1 / 3, -0.0, np.inf, np.nan, 1e300, 21.4])

    fixed = as_fixed(values)

    assert (fixed.places, fixed.fits.tolist()) == (2, [True, False, False, False, False, False, True])


def test_a_few_may_miss_where_that_saves_places() -> None:
    """One long value among a hundred short ones is left out if asked for, else all get its places."""
    values = np.append(np.arange(99) / 100, 0.123456)

    assert as_fixed(values).places == 6
    assert as_fixed(values, may_miss=0.02).places == 2
