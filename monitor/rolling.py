"""A rolled-up series: of each five minutes or hour how low, how high, the mean, how many, how many good; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from monitor.fixedpoint import as_fixed
from monitor.readings import USABLE

DAY_MS = 86_400_000


class Width(IntEnum):
    """How long a bin is, in ms."""

    FIVE_MINUTES = 300_000
    HOUR = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Bins:
    """One series rolled up; bins without a reading are left out.

    Attributes:
        from_ms: Shape (n,), int64: where each bin begins, a whole number of widths since 1970. [ms since 1970 UTC]
        count: Shape (n,), int64: readings of any flag.
        good: Shape (n,), int64: readings that findings may be judged on (``USABLE``).
        total: Shape (n,), float64: sum of the good ones; 0 where there is none. [stored unit]
        low: Shape (n,), float64: lowest good one; NaN where there is none. [stored unit]
        high: Shape (n,), float64: highest good one; NaN where there is none. [stored unit]
    """

    from_ms: NDArray[np.int64]
    count: NDArray[np.int64]
    good: NDArray[np.int64]
    total: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def __len__(self) -> int:
        """Return how many bins there are."""
        return len(self.from_ms)

    def part(self, rows: slice | NDArray[np.bool_]) -> Bins:
        """Return some of the bins."""
        return Bins(
            from_ms=self.from_ms[rows],
            count=self.count[rows],
            good=self.good[rows],
            total=self.total[rows],
            low=self.low[rows],
            high=self.high[rows],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """Several series rolled up, ordered by sensor as asked for, then by time; a gap in the record has no rows.

    Attributes:
        sensors: Names that ``sensor_index`` points into.
        width: How long each bin is.
        sensor_index: Shape (n,), int32.
        from_ms: Shape (n,), int64: where each bin begins. [ms since 1970 UTC]
        count: Shape (n,), int64: readings of any flag.
        good: Shape (n,), int64: readings that findings may be judged on (flags 1 and 2).
        low: Shape (n,), float64: lowest good one; NaN where none is good. [stored unit]
        mean: Shape (n,), float64: mean of the good ones; NaN where none is good. [stored unit]
        high: Shape (n,), float64: highest good one; NaN where none is good. [stored unit]
    """

    sensors: tuple[str, ...]
    width: Width
    sensor_index: NDArray[np.int32]
    from_ms: NDArray[np.int64]
    count: NDArray[np.int64]
    good: NDArray[np.int64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]

    def __len__(self) -> int:
        """Return how many bins there are, of all sensors."""
        return len(self.from_ms)

    def good_share(self) -> NDArray[np.float64]:
        """Return the share of good readings in each bin, from 0 to 1, shape (n,)."""
        return np.asarray(self.good / self.count, dtype=np.float64)


def no_bins() -> Bins:
    """Return a series without a bin."""
    whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Bins(from_ms=whole, count=whole, good=whole, total=real, low=real, high=real)


def _totals(value: NDArray[np.float64], starts: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return sums over bins: of decimal values by whole steps, so that the sum is the same in any order."""
    fixed = as_fixed(value)
    if not fixed.fits.all():
        return np.asarray(np.add.reduceat(value, starts), dtype=np.float64)
    return np.asarray(np.add.reduceat(fixed.steps, starts) / 10.0**fixed.places, dtype=np.float64)


def roll(
    at_ms: NDArray[np.int64], value: NDArray[np.float64], flag: NDArray[np.int8], width: Width = Width.FIVE_MINUTES
) -> Bins:
    """Return one series rolled up.

    Args:
        at_ms: Instants, shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,). [stored unit]
        flag: Shape (n,), values of Flag.
        width: How long a bin is.
    """
    if not len(at_ms):
        return no_bins()
    number = at_ms // width
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    usable = np.isin(flag, [int(each) for each in USABLE])
    good = np.add.reduceat(usable.astype(np.int64), starts)
    none = good == 0
    low = np.minimum.reduceat(np.where(usable, value, np.inf), starts)
    high = np.maximum.reduceat(np.where(usable, value, -np.inf), starts)
    return Bins(
        from_ms=number[starts] * width,
        count=np.diff(starts, append=len(at_ms)).astype(np.int64),
        good=good,
        total=_totals(np.where(usable, value, 0.0), starts),
        low=np.where(none, np.nan, low),
        high=np.where(none, np.nan, high),
    )


def coarser(bins: Bins, width: Width) -> Bins:
    """Return bins put together into longer ones, of which they must be whole parts."""
    if not len(bins):
        return bins
    number = bins.from_ms // width
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    return Bins(
        from_ms=number[starts] * width,
        count=np.add.reduceat(bins.count, starts),
        good=np.add.reduceat(bins.good, starts),
        total=np.add.reduceat(bins.total, starts),
        low=np.fmin.reduceat(bins.low, starts),
        high=np.fmax.reduceat(bins.high, starts),
    )


def join(parts: Sequence[Bins]) -> Bins:
    """Return bins that follow each other as one series."""
    if not parts:
        return no_bins()
    return Bins(
        from_ms=np.concatenate([each.from_ms for each in parts]),
        count=np.concatenate([each.count for each in parts]),
        good=np.concatenate([each.good for each in parts]),
        total=np.concatenate([each.total for each in parts]),
        low=np.concatenate([each.low for each in parts]),
        high=np.concatenate([each.high for each in parts]),
    )


def hand_on(sensors: Sequence[str], series: Sequence[Bins], width: Width) -> Rolled:
    """Return one series a sensor as they are handed on, with means in place of sums."""
    whole = join(series)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(whole.good > 0, whole.total / whole.good, np.nan)
    index = np.repeat(np.arange(len(series)), [len(each) for each in series])
    return Rolled(
        sensors=tuple(sensors),
        width=width,
        sensor_index=index.astype(np.int32),
        from_ms=whole.from_ms,
        count=whole.count,
        good=whole.good,
        low=whole.low,
        mean=mean,
        high=whole.high,
    )
