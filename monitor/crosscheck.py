"""A sensor against its neighbours: gone from them, or warmed by the lamp; pure.

Two tests of our own beside those of QARTOD. Both judge the middles of half hours, since a room's shelves follow each
other by the half hour and not by the reading. Arrays have shape (k, n): k sensors, n half hours, oldest first; NaN
where nothing was heard. What is said of a half hour depends on it and on those before it alone.

All numbers of this module are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.air import saturation_vapour_pressure

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

NEIGHBOURS = 2
"""From so many others on it is known which of them is wrong; of two that part nobody can say."""
A_DAY = 48  # half hours
_DAYS = 7  # so many days say what is usual at a time of day
_SMOOTH = 4  # half hours whose middle counts as now
_ONSET = 4 * A_DAY  # a sensor that parted longer ago than that is not asked how
SPAN = _DAYS * A_DAY + _ONSET + _SMOOTH
"""So many half hours back are looked at."""
NEAR = -np.arange(_DAYS + 1)[:, np.newaxis] * A_DAY + np.arange(1 - _SMOOTH, 1)
"""The half hours, counted from the last, that tell how far a sensor has gone in it, shape (8, 4): days back by the four
half hours whose middle counts."""
_ONE_BY_ONE = 3
"""What takes more than so many half hours from a quarter of the way to three quarters is a drift and no step."""
_STEP_SHARE = 0.4
"""So much of the way within an hour is a step, as of a fan that has died when its lamp comes on."""
_LEAST_LIT = 8  # half hours lit, and dark, of the last day
_FULL_AT_20 = float(saturation_vapour_pressure(np.array(20.0)))
WARMED_BY_C = 4.0
"""So much warmer under the lamp than its neighbours there. [degC]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class GoneLimits:
    """From where on a sensor has gone from its neighbours.

    Attributes:
        drifted: So far by a drift, whichever way. [degC; for humidity as air of 20 degC would show it, %RH]
        shown: So far in what it shows itself; 0: that is the same. [%RH]
        risen: So far by a step up; None: a place may well do that by itself. [as ``drifted``]
        fallen: So far by a step down. [as ``drifted``]
    """

    drifted: float
    shown: float
    risen: float | None
    fallen: float


OF_TEMPERATURE = GoneLimits(drifted=1.1, shown=0.0, risen=5.0, fallen=5.0)
OF_HUMIDITY = GoneLimits(drifted=6.5, shown=5.5, risen=None, fallen=30.0)
"""A shelf where the fan has died turns damp at once: that is still air and no sensor."""
OF_COVERED = GoneLimits(drifted=2.5, shown=0.0, risen=None, fallen=99.0)


def middle(values: Array) -> Array:
    """Return the median along the first axis over what is known there; NaN where nothing is."""
    ordered = np.sort(values, axis=0)  # what is not known comes last
    known = (~np.isnan(values)).sum(axis=0)
    low, high = (
        np.maximum(place, 0)[np.newaxis] for place in ((known - 1) // 2, np.minimum(known // 2, len(values) - 1))
    )
    found = (np.take_along_axis(ordered, low, axis=0) + np.take_along_axis(ordered, high, axis=0))[0] / 2
    return np.where(known > 0, found, np.nan)


def _back(values: Array, by: int) -> Array:
    """Return values of so many half hours before, NaN where there were none."""
    found = np.full_like(values, np.nan)
    if by < values.shape[-1]:
        found[..., by:] = values[..., : values.shape[-1] - by]
    return found


def unusual(values: Array) -> Array:
    """Return by how much each differs from its own middle at that time of day on the seven days before, shape (k, n).

    So what a shelf is warmer than its neighbours, and what its lamp adds by day, cancels.
    """
    return values - middle(np.stack([_back(values, day * A_DAY) for day in range(1, _DAYS + 1)]))


def gone(values: Array) -> Array:
    """Return how far each has gone from its neighbours, beside how it usually stands to them.

    Args:
        values: Middles of half hours, shape (k, n), two sensors or more. [unit of the quantity]

    Returns:
        Shape (k, n), the middle of two hours; of two sensors each is held against the other; NaN where fewer than two
        neighbours were heard. [the same unit]
    """
    return _two_hours(_off_others(unusual(values)))


def gone_now(near: Array) -> Array:
    """Return what ``gone`` says of a last half hour, shape (k,), by the half hours of NEAR, shape (8, k, 4)."""
    return _two_hours(_off_others(_unusual_now(near)))[:, -1]


def _off_others(own: Array) -> Array:
    """Return how much more unusual each is than the others, shape (k, n)."""
    if len(own) <= NEIGHBOURS:
        return own - own[::-1]
    heard = (~np.isnan(own)).sum(axis=0) > NEIGHBOURS
    return np.where(heard, own - middle(own), np.nan)


def gone_from(values: Array, others: Array) -> Array:
    """Return how far each has gone from others that it is no part of, shape (k, n); see ``gone``."""
    return _two_hours(unusual(values) - middle(unusual(others)))


def gone_from_now(near: Array, others: Array) -> Array:
    """Return what ``gone_from`` says of a last half hour, shape (k,), by the half hours of NEAR of both."""
    return _two_hours(_unusual_now(near) - middle(_unusual_now(others)))[:, -1]


def _unusual_now(near: Array) -> Array:
    """Return what ``unusual`` says of the last half hours, shape (k, 4), by those of NEAR, shape (8, k, 4)."""
    usual: Array = middle(near[1:])
    own: Array = near[0] - usual
    return own


def _two_hours(off: Array) -> Array:
    """Return the middle of each half hour with the three before it; NaN where fewer than two are known."""
    near = np.stack([_back(off, by) for by in range(_SMOOTH)])
    return np.where((~np.isnan(near)).sum(axis=0) >= _SMOOTH // 2, middle(near), np.nan)


def as_pressure(humidity_pct: Array, temp_c: Array) -> Array:
    """Return humidity as air of 20 degC with as much vapour would show it: shelves differ in warmth, hardly in vapour.

    Args:
        humidity_pct: Shape (k, n). [%RH]
        temp_c: Of the same places, shape (k, n); 20 where none is measured leaves it as it is. [degC]
    """
    return humidity_pct * saturation_vapour_pressure(np.clip(temp_c, 0.0, 50.0)) / _FULL_AT_20


def has_gone(line: Array, place: int, limits: GoneLimits, shown: float | None = None) -> bool:
    """Tell whether a sensor has gone from its neighbours in one half hour.

    A step is not enough, unless it is one that no lamp, fan or door makes: those change a shelf within the hour, a
    sensor that goes wrong mostly takes its time.

    Args:
        line: How far it has gone, shape (n,); see ``gone``.
        place: The half hour.
        limits: From where on.
        shown: How far it has gone in what it shows itself, where ``line`` is something else.
    """
    level = float(line[place])
    if not abs(level) >= limits.drifted:
        return False
    if shown is not None and not shown * np.sign(level) >= limits.shown:
        return False
    step = limits.fallen if level < 0 else limits.risen
    return (step is not None and abs(level) >= step) or _drifted(line[max(place - _ONSET + 1, 0) : place + 1] / level)


def _drifted(share: Array) -> bool:
    """Tell whether a sensor went its way bit by bit, given which share of it lay behind it, oldest first."""
    low = np.flatnonzero(share < 0.25)
    if not len(low):
        return True  # it was there all the time
    since = share[low[-1] :]
    most = np.flatnonzero(since >= 0.75)
    if not len(most) or int(most[0]) <= _ONE_BY_ONE:
        return False
    by_hour = np.abs(since[2:] - since[:-2])
    return not bool((by_hour >= _STEP_SHARE).any())


def lamp_step(values: Array, lit: Bools) -> Array:
    """Return how much further over its neighbours each was while its lamp was on than while it was off, in a last day.

    Args:
        values: Temperatures of a day, shape (k, 48). [degC]
        lit: Whether the lamp of each was on, shape (k, 48).

    Returns:
        Shape (k,); NaN where there are no two neighbours, or lit or dark hours are known for less than four. [degC]
    """
    heard = (~np.isnan(values)).sum(axis=0) > NEIGHBOURS
    off = np.where(heard, values - middle(values), np.nan)
    on, dark = (np.where(when, off, np.nan) for when in (lit, ~lit))
    known = np.minimum((~np.isnan(on)).sum(axis=1), (~np.isnan(dark)).sum(axis=1)) >= _LEAST_LIT
    return np.where(known, middle(on.T) - middle(dark.T), np.nan)
