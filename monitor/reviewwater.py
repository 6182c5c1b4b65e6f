"""The available water of a tray in hindsight, from its weight, and what was poured; pure.

In hindsight the plants' own weight is known: they were cut and weighed, or gave what the profile expects. So both
weights, just drained and limp, climb along the growth curve, and the fraction left follows from the weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.availability import fraction_left
from monitor.banded import Series, hours_where
from monitor.growth import GrowthClock, grown_share
from monitor.ledger import Entry, EntryKind
from monitor.readings import from_ms, to_ms
from monitor.review import Nudged, PouredFact, WaterFacts

STANDS_OVER = 1.07
"""Over this fraction water stands in the bottom tray. Ours; a tray that has drained is at 1, and the plants' weight is
known to a few hundredths only."""
NEAR_LIMP = 0.01
"""So near to the wilting point a tray counts as limp, for the same reason. Ours."""
_STEP = 0.08
_STEP_WITHIN = timedelta(minutes=45)
_SAME_POUR = timedelta(hours=1)
_ASKED_WITHIN = timedelta(hours=36)


def water_left(
    weight: Series, *, full_g: float, limp_g: float, wilting: float, yield_g: float, clock: GrowthClock
) -> Series:
    """Return the available water fraction of a tray.

    Args:
        weight: Weight of one tray with all that belongs to it. [g]
        full_g: Just drained, without plants. [g]
        limp_g: When plants limp, without the plants' own weight. [g]
        wilting: Available water fraction at which they limp. [0-1]
        yield_g: Cut weight of the tray. [g]
        clock: How far the batch was on its way to the cut.
    """
    plants = yield_g * np.minimum(grown_share(clock.share(weight.at_ms.astype(float))), 1.2)
    left = fraction_left(weight.value, full_g + plants, limp_g + plants, wilting)
    keep = (left > -0.3) & (left < 2.5)  # a tray lifted off, or a hand on it
    return Series(at_ms=weight.at_ms[keep], value=np.asarray(left)[keep], speaks_ms=weight.speaks_ms)


def water_facts(water: Series, wilting: float, begin_ms: float, end_ms: float) -> WaterFacts:
    """Return the driest and wettest point between two instants, and for how long it was limp or soaked."""
    part = water.within(begin_ms, end_ms)
    held = part.held_h(begin_ms, end_ms)
    counted = np.flatnonzero(held > 0)
    if not len(counted):
        return WaterFacts(known_h=0.0)
    smooth = _smooth(part.value)
    dry, wet = counted[int(np.argmin(smooth[counted]))], counted[int(np.argmax(smooth[counted]))]
    steady = Series(at_ms=part.at_ms, value=smooth, speaks_ms=part.speaks_ms)
    limp_h, _, known_h = hours_where(steady, begin_ms, end_ms, high=wilting + NEAR_LIMP)
    _, soaked_h, _ = hours_where(steady, begin_ms, end_ms, low=STANDS_OVER)
    return WaterFacts(
        known_h=known_h,
        driest=float(smooth[dry]),
        driest_ms=int(max(part.at_ms[dry], begin_ms)),
        wettest=float(smooth[wet]),
        wettest_ms=int(max(part.at_ms[wet], begin_ms)),
        limp_h=limp_h,
        soaked_h=soaked_h,
    )


def _smooth(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the middle of each value and its neighbours: a bump of one reading goes, a pour stays."""
    if len(value) < 3:
        return value
    middle = np.median(np.stack((value[:-2], value[1:-1], value[2:])), axis=0)
    return np.concatenate((value[:1], middle, value[-1:]))


def pours_of(
    entries: Sequence[Entry], water: Series | None, nudges: Sequence[Nudged], begin_ms: float, end_ms: float
) -> tuple[PouredFact, ...]:
    """Return the pours between two instants: those that were entered, and those that the weight alone shows."""
    entered = [
        (to_ms(entry.at), entry.data.get("ml_per_tray"))
        for entry in entries
        if entry.kind is EntryKind.WATERED and begin_ms <= to_ms(entry.at) < end_ms
    ]
    seen = [] if water is None else _steps(water, begin_ms, end_ms)
    same = _SAME_POUR / timedelta(milliseconds=1)
    alone = [at for at in seen if all(abs(at - other) > same for other, _ in entered)]
    asked = sorted(nudge.asked_at for nudge in nudges if nudge.task == "water")
    found = []
    known: list[tuple[int, float | None, bool]] = [
        *((at, ml, True) for at, ml in entered),
        *((at, None, False) for at in alone),
    ]
    taken = -1
    for at_ms, ml, is_entered in sorted(known, key=lambda each: each[0]):
        at = from_ms(at_ms)
        before = [place for place, when in enumerate(asked) if place > taken and when <= at <= when + _ASKED_WITHIN]
        late = (at - asked[before[0]]).total_seconds() / 3600 if before else None
        taken = max(before, default=taken)
        found.append(
            PouredFact(
                at=at,
                ml=None if ml is None else float(ml),
                entered=is_entered,
                asked=bool(before),
                late_h=late,
            )
        )
    return tuple(found)


def _steps(water: Series, begin_ms: float, end_ms: float) -> list[int]:
    """Return when the water rose at once and stayed, as it does when somebody pours. [ms since 1970 UTC]."""
    part = water.within(begin_ms, end_ms)
    if len(part.value) < 5:
        return []
    smooth = _smooth(part.value)
    span = max(1, int(_STEP_WITHIN / timedelta(milliseconds=1) / max(float(np.median(np.diff(part.at_ms))), 1.0)))
    span = min(span, max(1, len(smooth) // 3))
    rise = smooth[span:] - smooth[:-span]
    quick = (part.at_ms[span:] - part.at_ms[:-span]) <= 3 * _STEP_WITHIN / timedelta(milliseconds=1)
    places = np.flatnonzero((rise > _STEP) & quick)
    if not len(places):
        return []
    groups = np.split(places, np.flatnonzero(np.diff(places) > span) + 1)
    return [int(part.at_ms[group[int(np.argmax(rise[group]))] + (span + 1) // 2]) for group in groups]
