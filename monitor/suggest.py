"""What a farm's own good batches would write into a crop's profile: days, bands, refill point, yield; pure.

It proposes and changes nothing. Every figure comes with the number of batches behind it and, from six on, an exact
interval for the middle one: the order statistics that hold the true middle in at least 95 of 100 such samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import comb
from statistics import median

import numpy as np

from monitor.banded import Series
from monitor.heat import fit_heat_sum
from monitor.phases import Standing
from monitor.profiles import PhaseKind
from monitor.readings import Quantity
from monitor.review import BatchFacts, PhaseFacts

LEAST = 3
"""From so many good batches on anything is proposed. Ours."""
_SURE = 0.95
_EDGE_PCT = 5.0
_LEAST_KNOWN = 0.7
_BASE_FROM, _BASE_SPREAD_C, _BASE_FIT = 6, 4.0, 0.8
PHASES = (PhaseKind.GERMINATION, PhaseKind.BLACKOUT, PhaseKind.LIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """One figure of a profile as the farm's own batches would have it.

    Attributes:
        phase: The phase that it belongs to; None: the profile itself.
        key: Its key in the profile's file: ``days``, ``temperature``, ``humidity``, ``refill_fraction``,
            ``g_per_tray`` or ``base_temp_c``.
        low: Lowest; None: it has no lower end.
        usual: The middle one; None: a band has none.
        high: Highest; None: it has no upper end.
        interval: Exact 95 % interval of the middle one; None: too few, or a band.
        batches: How many batches are behind it.
    """

    phase: PhaseKind | None
    key: str
    low: float | None
    usual: float | None
    high: float | None
    interval: tuple[float, float] | None
    batches: int


def median_interval(values: Sequence[float]) -> tuple[float, float] | None:
    """Return the order statistics that hold the true middle with at least 95 %; None: there are too few for that.

    Source: [CONOVER] the sign test's interval: the chance that r or fewer of n lie under the middle is a binomial's.
    """
    ordered, n = sorted(values), len(values)
    found = None
    for rank in range(n // 2):
        outside = 2 * sum(comb(n, each) for each in range(rank + 1)) / 2**n
        if 1 - outside < _SURE:
            break
        found = (ordered[rank], ordered[n - 1 - rank])
    return found


def propose(good: Sequence[BatchFacts]) -> tuple[Proposed, ...]:
    """Return what the good batches of one crop propose; nothing where fewer than three tell of a figure."""
    found: list[Proposed | None] = []
    for kind in PHASES:
        found.append(_span(kind, "days", _each(good, kind, _days), whole=True))
        found.append(_band(kind, Quantity.TEMPERATURE, good))
        found.append(_band(kind, Quantity.HUMIDITY, good))
    found.append(_base(good))
    cut = [float(each.record.outcome.days) for each in good if each.record.outcome.days is not None]
    found.append(_span(PhaseKind.HARVEST, "days", cut, whole=True))
    refills = [each for each in (_refill(facts) for facts in good) if each is not None]
    found.append(_span(None, "refill_fraction", refills))
    yields = [each.record.outcome.yield_g for each in good if each.record.outcome.yield_g is not None]
    found.append(_span(None, "g_per_tray", yields, whole=True))
    return tuple(each for each in found if each is not None)


def _base(good: Sequence[BatchFacts]) -> Proposed | None:
    """Return the base temperature that days under the cover speak for; None: too few, or no straight line."""
    rows: list[tuple[float, float]] = []
    for facts in good:
        phase = facts.phase(PhaseKind.GERMINATION)
        warm = None if phase is None else phase.banded.get(Quantity.TEMPERATURE)
        took = None if phase is None else _days(phase)
        if warm is not None and warm.mean is not None and took:
            rows.append((warm.mean, took))
    temps, days = [temp for temp, _ in rows], [each for _, each in rows]
    if len(rows) < _BASE_FROM or max(temps) - min(temps) < _BASE_SPREAD_C:
        return None
    found = fit_heat_sum(temps, days)
    if found is None or found.fit < _BASE_FIT or not -2 <= found.base_temp_c <= 15:
        return None
    base = round(found.base_temp_c, 1)
    return Proposed(phase=None, key="base_temp_c", low=None, usual=base, high=None, interval=None, batches=len(rows))


def _each(good: Sequence[BatchFacts], kind: PhaseKind, read: Callable[[PhaseFacts], float | None]) -> list[float]:
    """Return what every batch tells of a phase."""
    phases = [facts.phase(kind) for facts in good]
    return [value for value in (read(phase) for phase in phases if phase is not None) if value is not None]


def _days(phase: PhaseFacts) -> float | None:
    """Return a phase's days where both its ends were entered."""
    known = phase.stretch.begins is Standing.ENTERED and phase.stretch.ends is Standing.ENTERED
    return float(phase.stretch.days) if known else None


def _span(phase: PhaseKind | None, key: str, values: Sequence[float], *, whole: bool = False) -> Proposed | None:
    """Return a span of a figure: lowest, middle and highest."""
    if len(values) < LEAST:
        return None
    digits = 0 if whole else 2
    return Proposed(
        phase=phase,
        key=key,
        low=round(min(values), digits),
        usual=round(float(median(values)), digits),
        high=round(max(values), digits),
        interval=median_interval(values),
        batches=len(values),
    )


def _band(phase: PhaseKind, quantity: Quantity, good: Sequence[BatchFacts]) -> Proposed | None:
    """Return a band: the middle of what the batches had at the lowest and at the highest 5 of 100 of their time."""
    ends = []
    for facts in good:
        found = facts.phase(phase)
        series = None if found is None else found.stretch.series.get(quantity)
        if found is None or series is None or found.good_data.get(quantity, 0.0) < _LEAST_KNOWN:
            continue
        if found.stretch.covered and quantity is Quantity.HUMIDITY:
            continue
        ends.append(edges(series, found.stretch.begin_ms, found.stretch.end_ms))
    if len(ends) < LEAST:
        return None
    low, high = (round(float(median(each)), 1) for each in zip(*ends, strict=True))
    return Proposed(phase=phase, key=quantity.value, low=low, usual=None, high=high, interval=None, batches=len(ends))


def edges(series: Series, begin_ms: float, end_ms: float) -> tuple[float, float]:
    """Return the values that a quantity was under, and over, for 5 of 100 of the time that is known."""
    part = series.within(begin_ms, end_ms)
    held = part.held_h(begin_ms, end_ms)
    order = np.argsort(part.value)
    share = np.cumsum(held[order]) / held.sum()
    low, high = np.searchsorted(share, [_EDGE_PCT / 100, 1 - _EDGE_PCT / 100])
    values = part.value[order]
    return float(values[low]), float(values[min(int(high), len(values) - 1)])


def _refill(facts: BatchFacts) -> float | None:
    """Return the fraction of water left at which a batch was usually watered in the open; None: no scale tells."""
    water = facts.record.water
    if water is None:
        return None
    pours = [pour.at for phase in facts.phases if not phase.stretch.covered for pour in phase.pours]
    instants = np.array([round(at.timestamp() * 1000) - 15 * 60_000 for at in pours], dtype=np.int64)
    left = water.at(instants)
    left = left[~np.isnan(left)]
    return float(np.median(left)) if len(left) >= 2 else None
