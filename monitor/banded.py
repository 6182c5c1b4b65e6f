"""One measured quantity over a stretch of time, and what it adds up to: hours known, in a band, outside it; pure.

A reading stands until the next one, at most for the time that it speaks for; what lies between is unknown, and is
neither good nor bad.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ShapeError

SPEAKS_FOR = timedelta(minutes=30)
"""A reading speaks for so long at most, or for so many of its usual intervals where that is longer. Ours."""
INTERVALS = 1.5
BACK_INSIDE = timedelta(hours=1)
"""Inside for so long, a run outside is over and the next one counts from nought. Ours."""
_HOUR_MS = 3_600_000.0
_MS = timedelta(milliseconds=1)

Array = NDArray[np.float64]
Instants = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """Usable readings of one sensor, or of several that stand for one, oldest first.

    Attributes:
        at_ms: Instants, ascending, shape (n,). [ms since 1970 UTC]
        value: What was measured, shape (n,). [stored unit]
        speaks_ms: For how long a reading stands at most. [ms]
    """

    at_ms: Instants
    value: Array
    speaks_ms: int

    def __post_init__(self) -> None:
        """Refuse arrays that do not belong together."""
        if self.at_ms.shape != self.value.shape:
            raise ShapeError(f"at_ms has shape {self.at_ms.shape}, value {self.value.shape}; give one value an instant")

    @staticmethod
    def of(at_ms: Instants, value: Array) -> Series:
        """Return readings as a series that knows for how long each of them speaks."""
        step = float(np.median(np.diff(at_ms))) if len(at_ms) > 1 else 0.0
        return Series(at_ms=at_ms, value=value, speaks_ms=int(max(SPEAKS_FOR / _MS, INTERVALS * step)))

    def within(self, begin_ms: float, end_ms: float) -> Series:
        """Return the readings that have a say between two instants."""
        first = int(np.searchsorted(self.at_ms, begin_ms - self.speaks_ms))
        last = int(np.searchsorted(self.at_ms, end_ms))
        return Series(at_ms=self.at_ms[first:last], value=self.value[first:last], speaks_ms=self.speaks_ms)

    def held_h(self, begin_ms: float, end_ms: float) -> Array:
        """Return for how long each reading stands between two instants, shape (n,). [h]."""
        if not len(self.at_ms):
            return np.zeros(0)
        following = np.append(self.at_ms[1:], self.at_ms[-1] + self.speaks_ms)
        until = np.minimum(np.minimum(following, self.at_ms + self.speaks_ms), end_ms)
        return np.asarray(np.clip(until - np.maximum(self.at_ms, begin_ms), 0, None) / _HOUR_MS)

    def at(self, instants: Instants) -> Array:
        """Return the value that stood at some instants; NaN where none speaks. Shape as ``instants``."""
        if not len(self.at_ms):
            return np.full(instants.shape, np.nan)
        place = np.searchsorted(self.at_ms, instants, side="right") - 1
        safe = np.maximum(place, 0)
        speaks = (place >= 0) & (instants - self.at_ms[safe] <= self.speaks_ms)
        return np.where(speaks, self.value[safe], np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One time outside a band, short returns into it included.

    Attributes:
        is_low: Under the lower end; else over the upper.
        begin_ms: First reading outside. [ms since 1970 UTC]
        end_ms: End of the last reading outside. [ms since 1970 UTC]
        hours: How long it was outside in it. [h]
        farthest: The value farthest outside. [stored unit]
        limit: The end that was passed. [stored unit]
        dose: How far times how long. [stored unit times h]
    """

    is_low: bool
    begin_ms: int
    end_ms: int
    hours: float
    farthest: float
    limit: float
    dose: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Banded:
    """One quantity against one band over a stretch of time.

    Attributes:
        known_h: Hours of which something is known. [h]
        in_band: Share of those inside the band; None: nothing is known. [0-1]
        mean: Mean over the known hours; None: nothing is known. [stored unit]
        lowest, highest: Ends of what was measured; None: nothing is known. [stored unit]
        low_dose: How far times how long under it. [stored unit times h]
        high_dose: The same over it. [stored unit times h]
        worst: The run with the largest dose; None: it was never outside.
    """

    known_h: float
    in_band: float | None
    mean: float | None
    lowest: float | None
    highest: float | None
    low_dose: float
    high_dose: float
    worst: Run | None


def banded(series: Series, low: float | None, high: float | None, begin_ms: float, end_ms: float) -> Banded:
    """Return how a quantity was against a band between two instants, both ends of the band included.

    Args:
        series: Usable readings.
        low: Lower end; None: none. [stored unit]
        high: Upper end; None: none. [stored unit]
        begin_ms: First instant. [ms since 1970 UTC]
        end_ms: Instant after the last. [ms since 1970 UTC]
    """
    part = series.within(begin_ms, end_ms)
    held = part.held_h(begin_ms, end_ms)
    known = float(held.sum())
    if known <= 0:
        return Banded(
            known_h=0.0, in_band=None, mean=None, lowest=None, highest=None, low_dose=0.0, high_dose=0.0, worst=None
        )
    under = np.zeros(len(held)) if low is None else np.maximum(low - part.value, 0.0)
    over = np.zeros(len(held)) if high is None else np.maximum(part.value - high, 0.0)
    runs = [
        *_runs(part, under, held, begin_ms, low, is_low=True),
        *_runs(part, over, held, begin_ms, high, is_low=False),
    ]
    counted = held > 0
    return Banded(
        known_h=known,
        in_band=float(held[(under <= 0) & (over <= 0)].sum() / known),
        mean=float((part.value * held).sum() / known),
        lowest=float(part.value[counted].min()),
        highest=float(part.value[counted].max()),
        low_dose=float((under * held).sum()),
        high_dose=float((over * held).sum()),
        worst=max(runs, key=lambda run: run.dose, default=None),
    )


def _runs(part: Series, far: Array, held: Array, begin_ms: float, limit: float | None, *, is_low: bool) -> list[Run]:
    """Return the runs outside one end of a band."""
    places = np.flatnonzero((far > 0) & (held > 0))
    if limit is None or not len(places):
        return []
    starts = np.maximum(part.at_ms[places], int(begin_ms))
    ends = (starts + held[places] * _HOUR_MS).astype(np.int64)
    breaks = np.flatnonzero(starts[1:] - ends[:-1] >= BACK_INSIDE / _MS)
    firsts = np.concatenate(([0], breaks + 1))
    lasts = np.concatenate((breaks, [len(places) - 1]))
    found = []
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        here = places[first : last + 1]
        peak = here[int(np.argmax(far[here]))]
        found.append(
            Run(
                is_low=is_low,
                begin_ms=int(starts[first]),
                end_ms=int(ends[last]),
                hours=float(held[here].sum()),
                farthest=float(part.value[peak]),
                limit=limit,
                dose=float((far[here] * held[here]).sum()),
            )
        )
    return found


def hours_where(
    series: Series, begin_ms: float, end_ms: float, *, low: float = -np.inf, high: float = np.inf
) -> tuple[float, float, float]:
    """Return the hours with low <= value < high, the longest of them on end, and the hours known. [h, h, h].

    An hour of other values ends what is on end; a silence within it neither ends it nor is counted.
    """
    part = series.within(begin_ms, end_ms)
    held = part.held_h(begin_ms, end_ms)
    inside = (part.value >= low) & (part.value < high) & (held > 0)
    if not inside.any():
        return 0.0, 0.0, float(held.sum())
    places = np.flatnonzero(inside)
    outside_h = np.cumsum(np.where(inside, 0.0, held))[places]
    group = np.concatenate(([0], np.cumsum(np.diff(outside_h) >= BACK_INSIDE / timedelta(hours=1) - 1e-9)))
    longest = float(np.bincount(group, weights=held[places]).max())
    return float(held[inside].sum()), longest, float(held.sum())
