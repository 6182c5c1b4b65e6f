"""A sensor that hangs, that has gone from its neighbours, or that the lamp warms: it says so itself.

The last two are read from the flags of its readings, on which no finding of the room is judged meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from alerts.findings import Finding, Priority, Tick
from alerts.recents import groups, recent_of
from alerts.rules.conditions import say_value
from monitor.amounts import say_list
from monitor.farm import Sensor
from monitor.loadcell import BIN_MS
from monitor.neighbours import HELD_AGAINST
from monitor.readings import Doubt, Flag, Quantity, Reading, from_ms, to_ms

_HANGS_FROM = timedelta(minutes=90)
_TIMES_LONGER = 3
"""So many times longer at one number than it ever was before. Ours."""
_LEAST_READINGS = 12
_LEAST_KNOWN = timedelta(hours=6)
_DAMPEST_PCT = 98.0  # air under a cover may stay there
_FRESH = timedelta(hours=2)
"""What a sensor said longer ago than that says nothing of it now; that it is silent is a finding of its own."""


def odd(tick: Tick) -> tuple[Finding, ...]:
    """Return the thermometers and humidity sensors that hang, have gone from their neighbours, or are lamp-warmed."""
    found = []
    for sensor in tick.sensors():
        if sensor.quantity not in HELD_AGAINST:
            continue
        finding = _hangs_once(sensor, tick) or _flagged(sensor, tick)
        if finding is not None:
            found.append(finding)
    return tuple(found)


def _hangs_once(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return that a sensor hangs, found once in a half hour, or None."""
    return tick.scales.once(("hangs", sensor.id, to_ms(tick.now) // BIN_MS), lambda: _hangs(sensor, tick))


def _hangs(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return that a sensor hangs, or None."""
    since = hangs_since(sensor, tick)
    if since is None:
        return None
    value = float(recent_of(tick, sensor.id).value[-1])
    clock = f"{since.astimezone(tick.farm.zone):%H:%M}"
    said = f"{_named(sensor, tick)} has shown the very same {value:g} since {clock}."
    return _wrong(sensor, "sensor is stuck", since, value, said, tick)


def _flagged(sensor: Sensor, tick: Tick) -> Finding | None:
    """Return what the flag of a sensor's newest reading says of it, or None."""
    newest = tick.live.newest(sensor.id)
    if newest is None or tick.now - newest.measured_at > _FRESH:
        return None
    if newest.doubt & Doubt.DISAGREES:
        return _disagrees(sensor, newest, tick)
    if newest.doubt & Doubt.LAMP_WARMED:
        return _warmed(sensor, newest, tick)
    return None


def _disagrees(sensor: Sensor, newest: Reading, tick: Tick) -> Finding:
    """Return that a sensor has gone from its neighbours, in words."""
    others = [each for each in map(tick.live.newest, neighbours(sensor, tick)) if each is not None]
    shows = f"{_named(sensor, tick)} shows {say_value(sensor.quantity, newest.value, tick)}"
    values = sorted({say_value(sensor.quantity, each.value, tick): each.value for each in others}.items(), key=_second)
    span = " to ".join(dict.fromkeys((values[0][0], values[-1][0]))) if values else "nothing"
    at, rule = newest.measured_at, "sensor disagrees"
    if sensor.under_cover:
        why = (
            "either the trays there heat up by themselves, or it is wrong."
            if newest.doubt & Doubt.UNSURE
            else "trays may be warmer than their room, and never so much colder."
        )
        said = f"{shows} under the cover and has gone from the open room, which shows {span}: {why}"
        return _wrong(sensor, rule, at, newest.value, said, tick)
    if newest.doubt & Doubt.UNSURE:
        other = say_list([each.sensor for each in others])
        return _wrong(
            sensor, rule, at, newest.value,
            f"{shows}, its only neighbour {other} {span}: they have parted, and of two nobody can say which is right. "
            "Until it is settled the room is told of only where both are outside.", tick,
        )  # fmt: skip
    said = f"{shows} and has gone from its {len(others)} neighbours, which show {span}."
    return _wrong(sensor, rule, at, newest.value, said, tick)


def _second(pair: tuple[str, float]) -> float:
    """Return by what values are put in order."""
    return pair[1]


def _named(sensor: Sensor, tick: Tick) -> str:
    """Return which sensor, and where."""
    return f"Sensor {sensor.id} at {tick.farm.places.name(sensor.spot)}"


def neighbours(sensor: Sensor, tick: Tick) -> Sequence[str]:
    """Return the ids of the sensors that one is held against."""
    for group in groups(tick):
        if sensor.id in (*group.judged, *group.covered):
            return [name for name in group.sensors if name != sensor.id]
    return []


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


def _wrong(sensor: Sensor, rule: str, since: datetime, value: float, said: str, tick: Tick) -> Finding:
    """Return the finding of a sensor that cannot be believed, in words."""
    newest = tick.live.newest(sensor.id)
    is_left_out = newest is not None and newest.flag is Flag.SUSPECT and not newest.doubt & Doubt.UNSURE
    unseen = " Its readings raise no alarm meanwhile." if is_left_out else ""
    return Finding(
        rule=rule,
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.URGENT,
        since=since,
        value=value,
        limit=None,
        wakes=False,
        cause=said,
        consequence=f"The {sensor.quantity.value} there may be another than it shows.{unseen}",
        action=(
            f"Hold another one beside it; look at its cable, battery and drops. Rest it: "
            f"traywarden out-of-service {sensor.id}   Check it: traywarden calibrate {sensor.id}"
        ),
    )


def _warmed(sensor: Sensor, newest: Reading, tick: Tick) -> Finding:
    """Return that the lamp warms a sensor, in words."""
    return Finding(
        rule="sensor is warmed by the lamp",
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.MEDIUM,
        since=newest.measured_at,
        value=newest.value,
        limit=None,
        wakes=False,
        cause=(
            f"{_named(sensor, tick)} shows {say_value(Quantity.TEMPERATURE, newest.value, tick)}; when the lamp is on "
            "it rises by far more than its neighbours."
        ),
        consequence="It shows the lamp's heat, not the air's, so by day nothing there is judged by it.",
        action="Hang it in the shade of a tray or give it a small roof of foil.",
    )
