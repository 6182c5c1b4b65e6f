"""A sensor whose readings cannot be right: it raises itself, and no alarm of the room."""

from __future__ import annotations

from datetime import timedelta

from alerts.findings import Finding, Priority, Tick
from monitor.farm import Sensor
from monitor.readings import Quantity, from_ms, to_ms

_OVER = timedelta(hours=3)
_INTERVALS = 8
"""Where a sensor speaks so rarely that an hour tells little, so many of its usual intervals are looked at. Ours."""
_SHARE = 0.005
_LEAST = 5.0
_FAILED_COUNTS = 2.0
"""What cannot be counts for so many that hardly can. Ours."""


def doubtful(tick: Tick) -> tuple[Finding, ...]:
    """Return the sensors that were doubtful by themselves several times lately; scales have their own rule."""
    found = []
    for sensor in tick.sensors():
        if sensor.quantity is Quantity.WEIGHT:
            continue
        usual = sensor.usual_interval or tick.live.usual_interval(sensor.id) or timedelta(0)
        over = max(_OVER, _INTERVALS * usual)
        suspect, failed, count = tick.live.odd_by_itself(sensor.id, tick.now - over)
        if suspect + _FAILED_COUNTS * failed >= max(_LEAST, _SHARE * count):
            found.append(_finding(sensor, suspect + failed, count, over, tick))
    return tuple(found)


def _finding(sensor: Sensor, bad: int, count: int, over: timedelta, tick: Tick) -> Finding:
    """Return the finding in words."""
    span = f"in {over / timedelta(hours=1):.0f} hours"
    place = tick.farm.places.name(sensor.spot)
    return Finding(
        rule="sensor cannot be right",
        spot=sensor.spot,
        batch=None,
        sensor=sensor.id,
        priority=Priority.URGENT,
        wakes=False,
        since=from_ms(to_ms(tick.now - over)),
        value=bad / count,
        limit=_SHARE,
        cause=f"Sensor {sensor.id} at {place} jumps, hangs or shows what cannot be: {bad} of {count} readings {span}.",
        consequence=f"Its {sensor.quantity.value} is not judged on meanwhile, so nobody watches it there.",
        action=(
            f"Look at its cable and battery, for drops on it, and whether its unit is right. "
            f"Rest it: traywarden out-of-service {sensor.id}"
        ),
    )
