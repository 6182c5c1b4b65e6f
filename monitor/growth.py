"""How the plants of a tray gain weight from sowing to the cut, and how they cover it; pure.

The curve is logistic, the usual one for a stand that is cut before it closes (common practice, no source for its two
numbers): a third of the yield stands at half of the days, nine tenths on the day of the cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.profiles import PhaseKind, Profile, Span

Array = NDArray[np.float64]
_STEEP, _MIDDLE = 6.5, 0.6
_AT_SOWING = 1 / (1 + float(np.exp(_STEEP * _MIDDLE)))
_AT_CUT = 1 / (1 + float(np.exp(-_STEEP * (1 - _MIDDLE))))
_COVER_RATE = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthClock:
    """How far a batch is on its way from sowing (0) to its usual cut (1).

    Attributes:
        sown_at: When it was sown.
        usual: From sowing to the usual cut, at the middle of the profile's temperature band.
        pace: How much faster than usual it grows, by the heat that it has had; 1 where nothing tells. [-]
    """

    sown_at: datetime
    usual: timedelta
    pace: float = 1.0

    def share(self, at_ms: Array | float) -> Array:
        """Return the share of the way at some instants. [ms since 1970 UTC -> 0 and up]."""
        sown_ms = self.sown_at.timestamp() * 1000
        usual_ms = self.usual.total_seconds() * 1000
        return np.maximum((np.asarray(at_ms, dtype=float) - sown_ms) / usual_ms * self.pace, 0.0)


def pace_of(mean_temp_c: float | None, usual_temp_c: float | None, base_temp_c: float | None) -> float:
    """Return how much faster than usual a batch grows, by a constant heat sum; within 0.7 and 1.3.

    Args:
        mean_temp_c: Mean temperature since sowing; None: not known. [degC]
        usual_temp_c: Middle of the profile's band. [degC]
        base_temp_c: Base temperature of its heat sum. [degC]
    """
    if mean_temp_c is None or usual_temp_c is None or base_temp_c is None or usual_temp_c <= base_temp_c:
        return 1.0
    return min(max((mean_temp_c - base_temp_c) / (usual_temp_c - base_temp_c), 0.7), 1.3)


def grown_share(way: Array | float) -> Array:
    """Return the fresh plant mass as a share of the yield, by the share of the way; 1 at the usual cut."""
    raw = 1 / (1 + np.exp(-_STEEP * (np.asarray(way, dtype=float) - _MIDDLE)))
    return np.asarray((raw - _AT_SOWING) / (_AT_CUT - _AT_SOWING))


def cover_share(way: Array | float) -> Array:
    """Return how much of the tray the leaves cover, by the share of the way; between 0 and 1."""
    return np.asarray(1 - np.exp(-_COVER_RATE * np.maximum(grown_share(way), 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCuts:
    """What the farm's own earlier batches of a crop gave.

    Attributes:
        days: Days from sowing to the cut, one a batch. [d]
        grams: Cut weight of a nominal tray, one a batch. [g]
    """

    days: tuple[float, ...]
    grams: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What is expected of a batch.

    Attributes:
        days: From sowing to the usual cut. [d]
        yield_g: Cut weight of a nominal tray. [g]
        yield_sigma, days_sigma: Relative standard deviations; None: as the profile's spans have it. [-]
    """

    days: float
    yield_g: Span
    yield_sigma: float | None = None
    days_sigma: float | None = None


LEAST_OWN = 3
"""From so many earlier batches on, the farm's own days and cut weights stand for the profile's."""
_OWN_YIELD_SIGMA, _OWN_DAYS_SIGMA = 0.1, 0.05


def growth_of(profile: Profile, own: OwnCuts | None) -> Growth:
    """Return what is expected of a batch: by the farm's own earlier batches from three on, else by the profile."""
    plan = profile.plan(PhaseKind.HARVEST)
    days = plan.days.usual if plan else 10.0
    if own is None or min(len(own.days), len(own.grams)) < LEAST_OWN:
        return Growth(days=days, yield_g=profile.yield_g_per_tray)
    grams = float(np.median(own.grams))
    span = Span(low=min(own.grams), usual=grams, high=max(own.grams), source="the farm's own earlier batches")
    return Growth(
        days=float(np.median(own.days)), yield_g=span, yield_sigma=_OWN_YIELD_SIGMA, days_sigma=_OWN_DAYS_SIGMA
    )
