"""A tray on a load cell that has drunk down to its profile's refill point."""

from __future__ import annotations

from datetime import timedelta

from alerts.findings import Finding, Priority, Tick
from alerts.judge import judge
from alerts.standing import Stand, standing
from monitor.amounts import say_ml
from monitor.farm import Sensor
from monitor.reach import available_fraction, is_covered, weight_sensors_for

_HOLD = timedelta(minutes=10)  # a tray lifted and put back is no dry tray


def dry(tick: Tick) -> tuple[Finding, ...]:
    """Return the open trays whose weight has been under the refill point for ten minutes."""
    found = []
    for stand in standing(tick):
        if is_covered(stand.span):
            continue
        for sensor in weight_sensors_for(tick.farm, stand.spot):
            finding = _judge_tray(stand, sensor, tick)
            if finding is not None:
                found.append(finding)
    return tuple(found)


def _judge_tray(stand: Stand, sensor: Sensor, tick: Tick) -> Finding | None:
    """Return the finding of one load cell, or None."""
    if sensor.dry_g is None or sensor.full_g is None:
        return None
    refill_g = sensor.dry_g + stand.profile.refill_fraction.value * (sensor.full_g - sensor.dry_g)
    outside = judge(tick.live, sensor.id, refill_g, None, _HOLD, tick.now)
    if outside is None or outside.value < 0.2 * sensor.dry_g:  # an empty scale is no dry tray
        return None
    left = available_fraction(sensor, outside.value) or 0.0
    wilting = left <= stand.profile.wilting_fraction.value
    pour = say_ml(sensor.full_g - outside.value, tick.farm.units)
    place = tick.farm.places.name(sensor.spot)
    return Finding(
        rule="tray is dry",
        spot=sensor.spot,
        batch=stand.batch.id,
        sensor=sensor.id,
        priority=Priority.URGENT if wilting else Priority.LOW,  # the round's task tells of the lower step
        since=outside.since,
        value=outside.value,
        limit=refill_g,
        cause=(
            f"Batch {stand.batch.id} {stand.profile.name.lower()} at {place}: {max(left, 0):.0%} of its water is left, "
            f"it is poured from {stand.profile.refill_fraction.value:.0%} down."
        ),
        consequence="Plants droop from the edges." if not wilting else "Plants limp now.",
        action=(
            f"Pour {pour} into its bottom tray and give its sisters the same. Limp although heavy is rot: do not "
            f"pour. Done: traywarden water {stand.batch.id}"
        ),
    )
