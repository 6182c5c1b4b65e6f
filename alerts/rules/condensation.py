"""Water that condenses: the coldest place of a room at or under the dew point of its air, over open trays."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Finding, Priority, Tick
from alerts.recents import half_hours
from alerts.standing import Stand, open_stands, sensors_of
from monitor.air import dew_point
from monitor.amounts import say_temp
from monitor.farm import Sensor
from monitor.loadcell import BIN_MS
from monitor.readings import Quantity, to_ms

OVER = timedelta(hours=1)
"""At or under the dew point for so long. Ours."""
_REACHED_C = 0.1  # a sensor's last digit


def condensation(tick: Tick) -> tuple[Finding, ...]:
    """Return, once a room, the open trays whose room has been at its dew point for an hour."""
    found: dict[str, Finding] = {}
    for stand, spot in open_stands(tick):
        room = spot.split("/")[0]
        if room not in found:
            finding = _judge(stand, room, tick)
            if finding is not None:
                found[room] = finding
    return tuple(found.values())


def _judge(stand: Stand, room: str, tick: Tick) -> Finding | None:
    """Return the finding of one room by the air at one stand, or None."""
    warm = sensors_of(stand, Quantity.TEMPERATURE, tick)
    damp = sensors_of(stand, Quantity.HUMIDITY, tick)
    if not warm or not damp:
        return None
    key = ("condensation", room, warm, damp, to_ms(tick.now) // BIN_MS)
    wet = tick.scales.once(key, lambda: _wet(room, warm, damp, tick))
    if wet is None:
        return None
    sensor, coldest_c, dew_c = wet
    place, units = tick.farm.places.name(sensor.spot), tick.farm.units
    return Finding(
        rule="condensation",
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.MEDIUM,
        since=tick.now - OVER,
        value=coldest_c,
        limit=dew_c,
        cause=(
            f"{place[0].upper()}{place[1:]} is at {say_temp(coldest_c, units)}, and the air at "
            f"{tick.farm.places.name(stand.spot)} wets what is at {say_temp(dew_c, units)} or colder."
        ),
        consequence="Leaves, covers and walls there get wet, and mould follows.",
        action="Let damp air out, keep air moving and the coldest corner a little warmer; wipe what drips on trays.",
    )


def _wet(room: str, warm: tuple[str, ...], damp: tuple[str, ...], tick: Tick) -> tuple[Sensor, float, float] | None:
    """Return (the coldest sensor of a room, what it shows, the dew point) where it has been at it for an hour."""
    dew_c = dew_point(half_hours(tick, warm, OVER), np.clip(half_hours(tick, damp, OVER), 0, 100))
    coldest = _coldest(room, tick)
    if coldest is None or not bool((coldest[1] - dew_c <= _REACHED_C).all()):
        return None
    sensor, means = coldest
    return sensor, float(means[0]), float(dew_c[0])


def _coldest(room: str, tick: Tick) -> tuple[Sensor, NDArray[np.float64]] | None:
    """Return the sensor of a room that is coldest by its last hour, and its means, newest first."""
    key = ("coldest", room)
    if key not in tick.memo:
        known = [
            (sensor, half_hours(tick, (sensor.id,), OVER))
            for sensor in tick.farm.sensors.values()
            if sensor.quantity is Quantity.TEMPERATURE and not sensor.under_cover and sensor.spot.split("/")[0] == room
        ]
        heard = [each for each in known if not np.isnan(each[1]).any()]
        tick.memo[key] = min(heard, key=lambda each: float(each[1].mean()), default=None)
    found: tuple[Sensor, NDArray[np.float64]] | None = tick.memo[key]
    return found
