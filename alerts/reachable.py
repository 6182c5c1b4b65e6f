"""What a room can reach: a band not met for two days on end is a matter of the room, not of an hour; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from alerts.findings import Tick
from alerts.recents import half_hours
from monitor.loadcell import BIN_MS
from monitor.profiles import Band
from monitor.readings import Quantity, to_ms

OVER = timedelta(hours=48)
"""Outside for most of so long, the room is taken not to reach the band. Ours."""
_LEAST_KNOWN = 0.8
_MOST_OF_IT = 0.8
_ALL_BUT_A_LITTLE = 0.95
_LEEWAY = {Quantity.TEMPERATURE: 1.5, Quantity.HUMIDITY: 8.0}
"""Further off than it has been by so much is wrong all the same. Ours. [degC; %RH]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfReach:
    """A band that the room does not reach.

    Attributes:
        is_low: The room stays under it; else over.
        usual: What the room has had, the median. [stored unit]
        limit: The end that it does not reach. [stored unit]
        judged_from: Beyond this it is wrong even for this room. [stored unit]
    """

    is_low: bool
    usual: float
    limit: float
    judged_from: float


def out_of_reach(quantity: Quantity, band: Band, sensors: tuple[str, ...], tick: Tick) -> OutOfReach | None:
    """Return how a room has failed to reach a band for two days, or None where it has, or where that is not known."""
    key = ("out of reach", quantity, band.low, band.high, sensors, to_ms(tick.now) // BIN_MS)
    return tick.scales.once(key, lambda: _out_of_reach(quantity, band, sensors, tick))


def _out_of_reach(quantity: Quantity, band: Band, sensors: tuple[str, ...], tick: Tick) -> OutOfReach | None:
    """Return what out_of_reach returns, found anew."""
    means = half_hours(tick, sensors, OVER)
    known = means[~np.isnan(means)]
    if len(known) < _LEAST_KNOWN * len(means):
        return None
    usual, leeway = float(np.median(known)), _LEEWAY[quantity]
    if band.low is not None and float(np.quantile(known, _MOST_OF_IT)) < band.low:
        judged_from = min(float(np.quantile(known, 1 - _ALL_BUT_A_LITTLE)) - leeway, band.low)
        return OutOfReach(is_low=True, usual=usual, limit=band.low, judged_from=judged_from)
    if band.high is not None and float(np.quantile(known, 1 - _MOST_OF_IT)) > band.high:
        judged_from = max(float(np.quantile(known, _ALL_BUT_A_LITTLE)) + leeway, band.high)
        return OutOfReach(is_low=False, usual=usual, limit=band.high, judged_from=judged_from)
    return None


def judged_band(
    quantity: Quantity, band: Band, sensors: tuple[str, ...], tick: Tick
) -> tuple[float | None, float | None]:
    """Return the span that readings are judged by: the band's, its end moved where the room does not reach it."""
    missed = out_of_reach(quantity, band, sensors, tick)
    if missed is None:
        return band.low, band.high
    return (missed.judged_from, band.high) if missed.is_low else (band.low, missed.judged_from)
