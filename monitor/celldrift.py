"""How a load cell errs by itself: with the temperature, and by creeping after a change of load; pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.drying import LitAt, neighbours
from monitor.loadcell import Rest, Step, StepKind

Array = NDArray[np.float64]
_LEAST_PAIRS = 60
_LEAST_SPREAD_C = 0.15
_HOUR_MS = 3_600_000
_LEAST_LOAD_G = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What a cell adds by itself.

    Attributes:
        by: By how much: grams a degree, or the share of a change of load. [g/degC or -]
        sigma: Standard error of that. [g/degC or -]
    """

    by: float
    sigma: float

    def is_sure(self, least: float) -> bool:
        """Tell whether it is at least so large, and five standard errors off nothing."""
        return bool(abs(self.by) >= least and abs(self.by) >= 5 * self.sigma)


def temperature_drift(rests: Sequence[Rest], air_at: Callable[[Array], Array], lit_at: LitAt) -> Drift | None:
    """Return how a weight follows the temperature, beside what dries in lit and in dark hours; None: too little record.

    A tray that dries goes on for hours; a cell that warms answers when the temperature moves, and then stops. So the
    changes between half hours are fitted with three numbers: loss by lit hour, by dark hour, and grams a degree.

    Args:
        rests: Half hours of rest, oldest first.
        air_at: Temperature of the air about it; NaN where not known. [ms since 1970 UTC -> degC]
        lit_at: When lamp light falls on the tray.
    """
    near = neighbours(rests, _HOUR_MS)
    if len(near) < _LEAST_PAIRS:
        return None
    begin = np.array([float(a.at_ms) for a, _ in near])
    end = np.array([float(b.at_ms) for _, b in near])
    hours = (end - begin) / _HOUR_MS
    lit = lit_at((begin + end) / 2).astype(float)
    warmer = air_at(end) - air_at(begin)
    change = np.array([b.grams - a.grams for a, b in near])
    good = ~np.isnan(warmer)
    if good.sum() < _LEAST_PAIRS or float(np.std(warmer[good])) < _LEAST_SPREAD_C:
        return None
    causes = np.column_stack([hours * lit, hours * (1 - lit), warmer])
    for _ in range(3):
        found, *_ = np.linalg.lstsq(causes[good], change[good], rcond=None)
        off = change - causes @ found
        scale = 1.4826 * float(np.median(np.abs(off[good]))) + 1e-9
        good = good & (np.abs(off) <= 5 * scale)
        if good.sum() < _LEAST_PAIRS:
            return None
    left = off[good]
    variance = float(left @ left) / max(len(left) - 3, 1)
    try:
        spread = np.linalg.inv(causes[good].T @ causes[good])
    except np.linalg.LinAlgError:
        return None
    return Drift(by=float(found[2]), sigma=float(np.sqrt(variance * spread[2, 2])))


def creep(steps: Sequence[Step], rests: Sequence[Rest]) -> Drift | None:
    """Return which share of a change of load follows in the next hours, of covered trays; None: no such change.

    Under a cover hardly anything dries, so what a weight still moves after a heavy load came or went is the cell's
    own: the first half hour at rest beside the one two hours later, less what the two hours after that still lose.

    Args:
        steps: Steps in the weight, oldest first.
        rests: Half hours of rest, oldest first.
    """
    shares = []
    for step in steps:
        if step.kind not in (StepKind.RISE, StepKind.FALL) or abs(step.grams) < _LEAST_LOAD_G:
            continue
        after = [rest for rest in rests if rest.at_ms >= step.until_ms]
        if not after or after[0].at_ms - step.until_ms > _HOUR_MS:
            continue
        first = after[0]
        later = {rest.at_ms - first.at_ms: rest for rest in after if rest.run == first.run}
        second, third = later.get(2 * _HOUR_MS), later.get(4 * _HOUR_MS)
        if second is not None and third is not None:
            moved = (second.grams - first.grams) - (third.grams - second.grams)
            shares.append(moved / step.grams)
    if not shares:
        return None
    spread = float(np.std(shares)) / len(shares) ** 0.5 if len(shares) > 1 else abs(shares[0]) / 6
    return Drift(by=float(np.median(shares)), sigma=spread)
