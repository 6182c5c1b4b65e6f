"""Warmth over a base, added up; and the base and the sum that germination follows, from days at several warmths; pure.

Source: [HEAT-UNITS] a degree-day is one degree over the base for 24 hours. The readings themselves are added up, so no
shape of the day has to be assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.banded import Series


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatSum:
    """A constant heat sum over a base: how many degree-days something takes.

    Attributes:
        base_temp_c: Under it nothing happens. [degC]
        degree_days: The sum that it takes. [degC d]
        fit: Share of the differences in speed that the line explains. [0-1]
    """

    base_temp_c: float
    degree_days: float
    fit: float

    def days_at(self, temp_c: float) -> float:
        """Return how many days it takes at an even temperature; infinite at or under the base. [d]."""
        over = temp_c - self.base_temp_c
        return self.degree_days / over if over > 0 else float("inf")


def degree_days(series: Series, base_c: float, begin_ms: float, end_ms: float) -> tuple[float, float]:
    """Return the warmth over a base between two instants, and the hours that it is known of. [degC d, h]."""
    part = series.within(begin_ms, end_ms)
    held = part.held_h(begin_ms, end_ms)
    return float((np.maximum(part.value - base_c, 0.0) * held).sum() / 24), float(held.sum())


def fit_heat_sum(temp_c: Sequence[float], days: Sequence[float]) -> HeatSum | None:
    """Return the heat sum that days at several temperatures follow; None: they do not speed up with warmth.

    Speed, one by the days, is a straight line of temperature: it crosses nought at the base, and its slope is one by
    the sum. Fitted by least squares. Source: [GARCIA-HUIDOBRO].

    Args:
        temp_c: Temperatures, two different ones at least. [degC]
        days: Days that it took at each, over nought. [d]
    """
    warm, speed = np.asarray(temp_c, dtype=float), 1 / np.asarray(days, dtype=float)
    if len(warm) < 2 or np.ptp(warm) == 0:
        return None
    slope, at_nought = (float(each) for each in np.polyfit(warm, speed, 1))
    if slope <= 0:
        return None
    left = ((speed - (slope * warm + at_nought)) ** 2).sum()
    all_of_it = ((speed - speed.mean()) ** 2).sum()
    fit = 1.0 if all_of_it == 0 else float(1 - left / all_of_it)
    return HeatSum(base_temp_c=-at_nought / slope, degree_days=1 / slope, fit=fit)
