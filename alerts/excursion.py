"""How far and how long a quantity has been outside its span: the run, its dose, and what ends it; pure.

A run outside is one run until the quantity has been back inside, by the deadband, for an hour on end: a thermostat that
swings round the end of a band makes one run and not thirty. What it adds up to is its dose, degree-hours of
temperature, kPa-hours of humidity.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

import numpy as np
from numpy.typing import NDArray

from alerts.judge import INTERVALS, STALE_AFTER
from monitor.air import saturation_vapour_pressure
from monitor.live import Recent
from monitor.readings import Quantity, from_ms, to_ms

DEADBAND = {Quantity.TEMPERATURE: 0.5, Quantity.HUMIDITY: 3.0}
"""So far inside again before a run outside is over. Common practice, no source. [degC; %RH]"""
BREAK = timedelta(hours=1)
"""Inside for so long, a run outside is over and the next one counts from nought. Ours."""
_LONGEST = timedelta(hours=26)
_HOUR_MS = 3_600_000.0

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """A run outside a span that is not over.

    Attributes:
        is_low: Under the lower end; else over the upper.
        since: Instant of its first reading outside.
        longest: The longest time on end outside in it.
        value: The newest reading. [stored unit]
        limit: The end that was passed. [stored unit]
        dose: How far times how long. [degC h; kPa h for humidity]
    """

    is_low: bool
    since: datetime
    longest: timedelta
    value: float
    limit: float
    dose: float


def excursion(
    recent: Recent,
    low: float | None,
    high: float | None,
    now: datetime,
    *,
    deadband: float,
    weight: Array | None = None,
) -> Excursion | None:
    """Return the run outside a span that is not over, or None.

    Args:
        recent: The sensor's usable readings, oldest first.
        low: Lower end; None: none. [stored unit]
        high: Upper end; None: none. [stored unit]
        now: The instant.
        deadband: How far inside it must be again to be over. [stored unit]
        weight: By what a distance from the end is multiplied in the dose, for each reading; None: by 1.
    """
    upto = int(np.searchsorted(recent.measured_at_ms, to_ms(now), side="right"))
    at_ms, value = recent.measured_at_ms[:upto], recent.value[:upto]
    stale_ms = max(STALE_AFTER / timedelta(milliseconds=1), INTERVALS * _usual_step(at_ms))
    if not len(value) or to_ms(now) - int(at_ms[-1]) > stale_ms:
        return None
    start = int(np.searchsorted(at_ms, to_ms(now - _LONGEST)))
    at_ms, value = at_ms[start:], value[start:]
    scale = np.ones(len(value)) if weight is None else weight[start:upto]
    under = np.zeros(len(value)) if low is None else np.maximum(low - value, 0.0)
    over = np.zeros(len(value)) if high is None else np.maximum(value - high, 0.0)
    outside = np.flatnonzero((under > 0) | (over > 0))
    if not len(outside):
        return None
    is_low = bool(under[outside[-1]] > 0)
    far, limit = (under, low) if is_low else (over, high)
    near = value < (low or 0.0) + deadband if is_low else value > (high or 0.0) - deadband
    places = np.flatnonzero(near)
    pause = max(BREAK / timedelta(milliseconds=1), INTERVALS * _usual_step(at_ms))
    if to_ms(now) - at_ms[places[-1]] >= pause:
        return None
    breaks = np.flatnonzero(np.diff(at_ms[places]) > pause)
    begin = int(places[breaks[-1] + 1]) if len(breaks) else int(places[0])
    after = np.flatnonzero(far[begin:] > 0)
    if not len(after):
        return None
    begin += int(after[0])
    until = np.append(at_ms[begin + 1 :], to_ms(now))
    held_h = np.minimum(until - at_ms[begin:], pause) / _HOUR_MS
    return Excursion(
        is_low=is_low,
        since=from_ms(int(at_ms[begin])),
        longest=timedelta(hours=_longest(far[begin:] > 0, held_h)),
        value=float(value[-1]),
        limit=float(value[-1]) if limit is None else limit,
        dose=float((far[begin:] * scale[begin:] * held_h).sum()),
    )


def _longest(outside: NDArray[np.bool_], held_h: Array) -> float:
    """Return the longest time on end outside. [h]."""
    total = np.cumsum(np.where(outside, held_h, 0.0))
    at_breaks = np.maximum.accumulate(np.where(outside, 0.0, total))
    return float((total - at_breaks).max())


def _usual_step(at_ms: NDArray[np.int64]) -> float:
    """Return the usual distance of readings; 0 where there is one only. [ms]."""
    return median(np.diff(at_ms[-20:]).tolist()) if len(at_ms) > 1 else 0.0


def kpa_per_point(damp: Recent, temperature: Recent | None, *, usual_c: float = 20.0) -> Array:
    """Return what one point of relative humidity is as a pressure of vapour, for each reading of humidity.

    Args:
        damp: Readings of humidity, n of them.
        temperature: Readings of the air's temperature at the same place; None or none: 20 degC.
        usual_c: Stands in where no temperature is known. [degC]

    Returns:
        Shape (n,). [kPa per %RH]
    """
    if temperature is None or not len(temperature.value):
        temps = np.full(len(damp.value), usual_c)
    else:
        temps = np.interp(damp.measured_at_ms, temperature.measured_at_ms, temperature.value)
    found: Array = saturation_vapour_pressure(np.clip(temps, 0.0, 50.0)) / 100
    return found
