"""What the sensors said lately, read out once for a moment however many rules ask; pure."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Tick
from alerts.judge import STALE_AFTER
from monitor.live import HELD, Recent
from monitor.loadcell import BIN_MS
from monitor.neighbours import Group, groups_of
from monitor.readings import Doubt, to_ms

_STEP = timedelta(milliseconds=BIN_MS)


def recent_of(tick: Tick, sensor: str) -> Recent:
    """Return a sensor's usable readings as far back as they are held."""
    key = ("recent", sensor)
    if key not in tick.memo:
        tick.memo[key] = tick.live.recent(sensor, tick.now - HELD)
    found: Recent = tick.memo[key]
    return found


def groups(tick: Tick) -> tuple[Group, ...]:
    """Return who is held against whom."""
    return tick.scales.once(("groups", id(tick.farm)), lambda: groups_of(tick.farm))


def twin_of(tick: Tick, sensor: str) -> str | None:
    """Return the only neighbour of a sensor that has parted from it, so that nobody knows which is right, or None."""
    newest = tick.live.newest(sensor)
    if newest is None or not newest.doubt & Doubt.UNSURE:
        return None
    groups = groups_of(tick.farm)
    return next((name for group in groups if sensor in group.judged for name in group.sensors if name != sensor), None)


def milder_of_two(tick: Tick, sensor: str, low: float | None, high: float | None) -> Recent | None:
    """Return what a sensor and its twin agree on, where they have parted: outside a span only where both are.

    None where they have not, or where the twin is silent.

    Args:
        tick: The moment.
        sensor: One of the two.
        low: Lower end of the span; None: none. [stored unit]
        high: Upper end; None: none. [stored unit]
    """
    twin = twin_of(tick, sensor)
    if twin is None:
        return None
    own, other = (tick.live.recent(name, tick.now - HELD, also=Doubt.UNSURE) for name in (sensor, twin))
    if not len(own.value) or not len(other.value) or to_ms(tick.now - STALE_AFTER) > int(other.measured_at_ms[-1]):
        return None
    theirs = np.interp(own.measured_at_ms, other.measured_at_ms, other.value)
    inside = -np.inf if low is None else np.inf if high is None else (low + high) / 2
    value = np.clip(inside, np.minimum(own.value, theirs), np.maximum(own.value, theirs))
    return Recent(measured_at_ms=own.measured_at_ms, value=value)


def middles_ms(tick: Tick, count: int) -> NDArray[np.float64]:
    """Return the middles of the last half hours that are over, newest first. [ms since 1970 UTC]."""
    newest = to_ms(tick.now) // BIN_MS - 1
    return np.array([(newest - back) * BIN_MS + BIN_MS / 2 for back in range(count)])


def half_hours(tick: Tick, sensors: tuple[str, ...], back: timedelta) -> NDArray[np.float64]:
    """Return the means of some sensors in the half hours that are over, newest first; NaN where none was heard.

    Args:
        tick: The moment.
        sensors: Sensors of one quantity.
        back: How far back.
    """
    key = ("half hours", sensors, back, to_ms(tick.now) // BIN_MS)
    return tick.scales.once(key, lambda: tick.scales.air_at(sensors)(middles_ms(tick, int(back / _STEP))))
