"""A sensor that has been silent for longer than it usually is."""

from __future__ import annotations

from datetime import datetime, timedelta

from alerts.findings import Finding, Priority, Tick
from monitor.amounts import say_time
from monitor.farm import Sensor
from monitor.readings import Quantity

FLOOR = timedelta(minutes=30)
_TIMES = 3
_SEVERAL = 3
_OLD = timedelta(minutes=20)
"""What it speaks of is so long past, as it comes, that its clock is behind and not the network. Ours."""


def silence(tick: Tick) -> tuple[Finding, ...]:
    """Return the sensors with a topic that have not spoken for three of their usual intervals, and 30 minutes.

    Where none of several speaks any more, that is one finding: the broker, the network, or this machine.
    """
    speaking = [
        sensor
        for sensor in tick.sensors()
        if sensor.topic is not None and sensor.quantity is not Quantity.BATTERY  # its device speaks for itself
    ]
    found, behind = [], []
    for sensor in speaking:
        heard, came = tick.live.last_heard(sensor.id), tick.live.last_came(sensor.id)
        watched = tick.heard_since(sensor.spot)
        since = max(heard, watched) if heard else watched
        if tick.now - since < patience(sensor, tick):
            continue
        if heard and came and came - heard >= _OLD and tick.now - came < patience(sensor, tick):
            behind.append(_behind(sensor, heard, came, tick))
        else:
            found.append(_finding(sensor, heard, since, tick))
    if len(found) == len(speaking) >= _SEVERAL:
        return (_nothing_heard(speaking, max(finding.since for finding in found), tick),)
    return (*found, *behind)


def patience(sensor: Sensor, tick: Tick) -> timedelta:
    """Return how long a sensor may be silent: three of its usual intervals, at least half an hour."""
    usual = sensor.usual_interval or tick.live.usual_interval(sensor.id)
    return FLOOR if usual is None else max(FLOOR, usual * _TIMES)


def _nothing_heard(speaking: list[Sensor], since: datetime, tick: Tick) -> Finding:
    """Return the one finding of a farm that hears nothing any more."""
    return Finding(
        rule="nothing is heard",
        spot=speaking[0].spot.split("/")[0],
        batch=None,
        sensor=None,
        priority=Priority.URGENT,
        wakes=False,
        since=since,
        value=None,
        limit=None,
        cause=f"None of the {len(speaking)} sensors has been heard since {say_time(since, tick.farm.zone)}.",
        consequence="Nobody watches the room meanwhile; look at it yourself.",
        action="Look at the broker, the network and this machine: `traywarden status` says what answers.",
    )


def _finding(sensor: Sensor, heard: datetime | None, since: datetime, tick: Tick) -> Finding:
    """Return the finding in words."""
    place = tick.farm.places.name(sensor.spot)
    last = f"last heard {say_time(heard, tick.farm.zone)}" if heard else "not heard since the monitor started"
    return _of_sensor(
        sensor,
        "sensor is silent",
        since,
        cause=f"Sensor {sensor.id} at {place} is silent, {last}.",
        consequence=f"Nobody watches the {sensor.quantity.value} there meanwhile.",
        action="Look at its battery, its plug and the network; `traywarden check` lists what is heard.",
    )


def _behind(sensor: Sensor, heard: datetime, came: datetime, tick: Tick) -> Finding:
    """Return the finding of a sensor that speaks, and only of what is long past."""
    place = tick.farm.places.name(sensor.spot)
    minutes = round((came - heard) / timedelta(minutes=1))
    return _of_sensor(
        sensor,
        "sensor clock is behind",
        heard,
        cause=f"Sensor {sensor.id} at {place} speaks, and its newest reading is {minutes} minutes old.",
        consequence=f"Its {sensor.quantity.value} is not judged as that of now, so nobody watches it there.",
        action="Set the clock of its node, or leave the time out of what it sends; see whether its radio holds back.",
    )


def _of_sensor(sensor: Sensor, rule: str, since: datetime, *, cause: str, consequence: str, action: str) -> Finding:
    """Return a finding of a sensor that nobody can go by; it waits for the end of quiet hours."""
    return Finding(
        rule=rule,
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.URGENT,
        wakes=False,
        since=since,
        value=None,
        limit=None,
        cause=cause,
        consequence=consequence,
        action=action,
    )
