"""A place that carries limits of its own, with or without trays: a cold store, a room that must not freeze."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from alerts.excursion import DEADBAND, excursion
from alerts.findings import Finding, Priority, Tick
from alerts.recents import milder_of_two, recent_of
from alerts.rules.conditions import say_value
from monitor.live import Recent
from monitor.places import Limits, Spot
from monitor.readings import Quantity, to_ms

_HOLD = timedelta(minutes=15)
"""A door held open is over by then."""
_QUARTER = timedelta(minutes=15)
_USUAL = timedelta(hours=24)
_BEYOND = 0.2
"""So far beyond all of the last day for a quarter of an hour, no place comes back by itself. Ours. [stored unit]"""


def limits(tick: Tick) -> tuple[Finding, ...]:
    """Return the places that are outside their own limits, judged by the sensors that stand right there."""
    found: list[Finding] = []
    for spot in tick.farm.places:
        for quantity, span in spot.limits.items():
            for sensor in tick.sensors() if tick.ward.has(spot.id) else ():
                if sensor.spot == spot.id and sensor.quantity is quantity and not sensor.under_cover:
                    found.extend(_judge_place(spot, quantity, span, sensor.id, tick))
    return tuple(found)


def _judge_place(spot: Spot, quantity: Quantity, span: Limits, sensor: str, tick: Tick) -> list[Finding]:
    """Return the finding of one place by one sensor, in a list; empty where all is well."""
    recent = milder_of_two(tick, sensor, span.low, span.high) or recent_of(tick, sensor)
    outside = excursion(recent, span.low, span.high, tick.now, deadband=DEADBAND.get(quantity, 0.0))
    if outside is None:
        return []
    hold = _HOLD if not keeps_moving(recent, tick.now, is_low=outside.is_low) else timedelta(0)
    if outside.longest < hold:
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


def keeps_moving(recent: Recent, now: datetime, *, is_low: bool) -> bool:
    """Tell whether a quantity has moved one way for an hour, and is beyond all that it was in the day before.

    So it is not a door, and no compressor's cycle: it is told as soon as it is outside.

    Args:
        recent: The sensor's usable readings, oldest first.
        now: The instant.
        is_low: Falling is asked for; else rising.
    """
    marks = [to_ms(now - back * _QUARTER) for back in (5, 4, 3, 2, 1, 0)]
    places = np.searchsorted(recent.measured_at_ms, marks, side="right").tolist()
    if any(first == last for first, last in pairwise(places)):
        return False
    value = -recent.value if is_low else recent.value
    steps = [float(np.median(value[first:last])) for first, last in pairwise(places)]
    day = value[int(np.searchsorted(recent.measured_at_ms, to_ms(now - _USUAL))) : places[1]]
    usual = float(np.quantile(day, 0.98)) if len(day) else np.inf
    return steps[0] < steps[2] < steps[4] and steps[1] < steps[3] and min(steps[3:]) > usual + _BEYOND
