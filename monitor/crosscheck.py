"""A sensor against its neighbours: off them, gone from them over the days, or warmed by the lamp; pure.

Two tests of our own beside those of QARTOD. They judge half-hourly means, since a room's shelves follow each other by
the half hour and not by the reading. Newest first throughout; NaN where nothing was heard.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
NEIGHBOURS = 2
"""So many others at least: of two that differ nobody can say which is right."""
_LEAST = 16  # half hours known on either side


def off_neighbours(own: Array, others: Array) -> Array:
    """Return how far a sensor is off the middle of its neighbours and itself; one that is far off moves no other.

    Args:
        own: Its means, shape (n,). [stored unit]
        others: Those of its neighbours, shape (k, n). [stored unit]

    Returns:
        Shape (n,); NaN where it, or all but one of them, said nothing. [stored unit]
    """
    if len(others) < NEIGHBOURS:
        return np.full(len(own), np.nan)
    heard = (~np.isnan(others)).sum(axis=0) >= NEIGHBOURS
    return np.where(heard, own - _middle(np.vstack([own, others])), np.nan)


def _middle(values: Array) -> Array:
    """Return the median of each column over what is known in it; NaN where nothing is."""
    ordered = np.sort(values, axis=0)  # what is not known comes last
    known = (~np.isnan(values)).sum(axis=0)
    low, high = (
        np.maximum(place, 0)[np.newaxis] for place in ((known - 1) // 2, np.minimum(known // 2, len(values) - 1))
    )
    middle = (np.take_along_axis(ordered, low, axis=0) + np.take_along_axis(ordered, high, axis=0))[0] / 2
    return np.where(known > 0, middle, np.nan)


def gone_by(off: Array, *, lately: int, before: int) -> float:
    """Return by how much a sensor has moved against its neighbours: its last half hours against those before.

    Args:
        off: How far it is off them, shape (n,). [stored unit]
        lately: So many half hours count as now.
        before: What lies further back than this is what it was.

    Returns:
        NaN where either is not known for eight hours. [stored unit]
    """
    now, then = off[:lately], off[before:]
    if (~np.isnan(now)).sum() < min(_LEAST, lately) or (~np.isnan(then)).sum() < _LEAST:
        return float("nan")
    return float(np.nanmedian(now) - np.nanmedian(then))


def lamp_step(off: Array, lit: NDArray[np.bool_]) -> float:
    """Return how much further off its neighbours a sensor is while the lamp is on than while it is off.

    Args:
        off: How far it is off them, shape (n,). [stored unit]
        lit: Whether the lamp was on, shape (n,).

    Returns:
        NaN where either is known for less than four hours. [stored unit]
    """
    on, dark = off[lit & ~np.isnan(off)], off[~lit & ~np.isnan(off)]
    if min(len(on), len(dark)) < _LEAST // 2:
        return float("nan")
    return float(np.median(on) - np.median(dark))
