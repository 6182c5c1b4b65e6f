"""What the sensors said lately, read out once for a moment however many rules ask; pure."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Tick
from monitor.live import HELD, Recent
from monitor.loadcell import BIN_MS
from monitor.readings import to_ms

_STEP = timedelta(milliseconds=BIN_MS)


def recent_of(tick: Tick, sensor: str) -> Recent:
    """Return a sensor's usable readings as far back as they are held."""
    key = ("recent", sensor)
    if key not in tick.memo:
        tick.memo[key] = tick.live.recent(sensor, tick.now - HELD)
    found: Recent = tick.memo[key]
    return found


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
