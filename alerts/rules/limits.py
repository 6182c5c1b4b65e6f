"""A place that carries limits of its own, with or without trays: a cold store, a room that must not freeze."""

from __future__ import annotations

from datetime import timedelta

from alerts.excursion import DEADBAND, excursion
from alerts.findings import Finding, Priority, Tick
from alerts.recents import milder_of_two, recent_of
from alerts.rules.conditions import say_value
from monitor.places import Limits, Spot
from monitor.readings import Quantity

_HOLD = timedelta(minutes=15)


def limits(tick: Tick) -> tuple[Finding, ...]:
    """Return the places that are outside their own limits, judged by the sensors that stand right there."""
    found: list[Finding] = []
    for spot in tick.farm.places:
        for quantity, span in spot.limits.items():
            for sensor in tick.farm.sensors.values():
                if sensor.spot == spot.id and sensor.quantity is quantity and not sensor.under_cover:
                    found.extend(_judge_place(spot, quantity, span, sensor.id, tick))
    return tuple(found)


def _judge_place(spot: Spot, quantity: Quantity, span: Limits, sensor: str, tick: Tick) -> list[Finding]:
    """Return the finding of one place by one sensor, in a list; empty where all is well."""
    recent = milder_of_two(tick, sensor, span.low, span.high) or recent_of(tick, sensor)
    outside = excursion(recent, span.low, span.high, tick.now, deadband=DEADBAND.get(quantity, 0.0))
    if outside is None or outside.longest < _HOLD:
        return []
    side = "under" if outside.is_low else "over"
    return [
        Finding(
            rule=f"{quantity.value} {side} this place's limit",
            spot=spot.id,
            batch=None,
            sensor=sensor,
            priority=Priority.URGENT,
            since=outside.since,
            value=outside.value,
            limit=outside.limit,
            cause=(
                f"{say_value(quantity, outside.value, tick)} in {spot.name}; its own limit is "
                f"{say_value(quantity, outside.limit, tick)}."
            ),
            consequence="What is kept there spoils, or freezes.",
            action="Look at its door, its plug and its thermostat; move what must not spoil.",
        )
    ]
