"""A sensor that hangs, that has left its neighbours, or that the lamp warms: it says so itself."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from alerts.findings import Finding, Priority, Tick
from alerts.recents import half_hours, middles_ms, recent_of
from monitor.crosscheck import gone_by, lamp_step, off_neighbours
from monitor.farm import Sensor
from monitor.loadcell import BIN_MS
from monitor.readings import Quantity, from_ms, to_ms

_JUDGED = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
_HANGS_FROM = timedelta(minutes=90)
_TIMES_LONGER = 3
"""So many times longer at one number than it ever was before. Ours."""
_LEAST_READINGS = 12
_LEAST_KNOWN = timedelta(hours=6)
_DAMPEST_PCT = 98.0  # air under a cover may stay there

OFF_BY = {Quantity.TEMPERATURE: 2.0, Quantity.HUMIDITY: 10.0}
"""So far gone from its neighbours a sensor is wrong. Ours. [degC; %RH]"""
WARMED_BY_C = 4.0
"""So much warmer under the lamp than its neighbours there. Ours. [degC]"""
_BACK = timedelta(days=7)
_LATELY, _BEFORE = 16, 48  # half hours
_EVERY = 4  # half hours; what moves over days need not be looked at more often


def odd(tick: Tick) -> tuple[Finding, ...]:
    """Return the thermometers and humidity sensors that hang, left their neighbours, or are warmed by the lamp."""
    found = []
    for sensor in tick.farm.sensors.values():
        if sensor.quantity not in _JUDGED:
            continue
        finding = _judged(sensor, tick)
        if finding is not None:
            found.append(finding)
    return tuple(found)


def _judged(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return what is odd about one sensor, found once in a half hour."""
    return tick.scales.once(("odd", sensor.id, to_ms(tick.now) // BIN_MS), lambda: _judge(sensor, tick))


def _judge(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return what is odd about one sensor, or None."""
    since = hangs_since(sensor, tick)
    if since is not None:
        value = float(recent_of(tick, sensor.id).value[-1])
        return _finding(
            sensor, "sensor is stuck", since, value,
            f"has shown the very same {value:g} since {since.astimezone(tick.farm.zone):%H:%M}", tick,
        )  # fmt: skip
    if sensor.under_cover:
        return None
    return tick.scales.once(
        ("against others", sensor.id, to_ms(tick.now) // (_EVERY * BIN_MS)), lambda: _against_others(sensor, tick)
    )


def _against_others(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return whether a sensor has left its neighbours, or is warmed by the lamp, or None."""
    own = half_hours(tick, (sensor.id,), _BACK)
    others = _neighbours(sensor, tick)
    off = off_neighbours(own, np.array([half_hours(tick, (each.id,), _BACK) for each in others]).reshape(-1, len(own)))
    gone = gone_by(off, lately=_LATELY, before=_BEFORE)
    unit = "°C" if sensor.quantity is Quantity.TEMPERATURE else "points"
    if abs(gone) >= OFF_BY[sensor.quantity]:
        said = f"has moved by {gone:+.1f} {unit} against the {len(others)} others of its room in the last days"
        return _finding(sensor, "sensor disagrees", tick.now, gone, said, tick)
    lamp = tick.farm.places.lamp(sensor.spot)
    if sensor.quantity is Quantity.TEMPERATURE and lamp is not None and "/" in sensor.spot:
        day = off[:48]
        middles = (from_ms(int(at)).astimezone(tick.farm.zone) for at in middles_ms(tick, len(day)))
        step = lamp_step(day, np.array([lamp.is_on(middle.time()) for middle in middles]))
        if step >= WARMED_BY_C:
            said = f"rises by {step:.1f} °C more than its neighbours when the lamp is on"
            return _finding(sensor, "sensor is warmed by the lamp", tick.now, step, said, tick)
    return None


def hangs_since(sensor: Sensor, tick: Tick) -> datetime | None:
    """Return since when a sensor has shown one number for far longer than it ever did before, or None."""
    recent = recent_of(tick, sensor.id)
    at_ms, value = recent.measured_at_ms, recent.value
    if len(value) < 2 * _LEAST_READINGS or (sensor.quantity is Quantity.HUMIDITY and value[-1] >= _DAMPEST_PCT):
        return None
    changes = np.flatnonzero(np.diff(value)) + 1
    if not len(changes) or len(value) - int(changes[-1]) < _LEAST_READINGS:
        return None
    lasted = int(at_ms[-1] - at_ms[changes[-1]])
    earlier = int(np.diff(at_ms[np.concatenate(([0], changes))]).max())
    known = int(at_ms[changes[-1]] - at_ms[0]) >= _LEAST_KNOWN / timedelta(milliseconds=1)
    if known and lasted >= max(_HANGS_FROM / timedelta(milliseconds=1), _TIMES_LONGER * earlier):
        return from_ms(int(at_ms[changes[-1]]))
    return None


def _neighbours(sensor: Sensor, tick: Tick) -> Sequence[Sensor]:
    """Return the other sensors of a quantity that a sensor is held against: those of its shelf, else of its room."""
    alike = [
        other
        for other in tick.farm.sensors.values()
        if other.quantity is sensor.quantity and other.id != sensor.id and not other.under_cover
    ]
    here = [other for other in alike if other.spot == sensor.spot]
    room = sensor.spot.split("/")[0]
    return here if len(here) > 1 else [other for other in alike if other.spot.split("/")[0] == room]


def _finding(sensor: Sensor, rule: str, since: datetime, value: float, said: str, tick: Tick) -> Finding:
    """Return a finding in words."""
    place = tick.farm.places.name(sensor.spot)
    lamp = rule == "sensor is warmed by the lamp"
    return Finding(
        rule=rule,
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.MEDIUM if lamp else Priority.URGENT,
        since=since,
        value=value,
        limit=None,
        wakes=False,
        cause=f"Sensor {sensor.id} at {place} {said}.",
        consequence=(
            "It shows the lamp's heat, not the air's."
            if lamp
            else f"The {sensor.quantity.value} there may be another than it shows, and nobody is told of it."
        ),
        action=(
            "Hang it in the shade of a tray or give it a small roof of foil."
            if lamp
            else f"Hold another one beside it; look at its cable, battery and drops. Rest it: "
            f"traywarden out-of-service {sensor.id}   Check it: traywarden calibrate {sensor.id}"
        ),
    )
