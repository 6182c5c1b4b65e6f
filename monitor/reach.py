"""Which sensor can speak for which trays: a covered tray's light and humidity only from under its cover; pure.

Room air stands in for the temperature of a covered tray where no sensor lies under the cover, since the tray
follows the room's air within hours (common practice, no source); it never stands in for its light or humidity.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.farm import Farm, Sensor
from monitor.phases import PhaseSpan
from monitor.places import SpotKind
from monitor.profiles import Manner, PhaseKind
from monitor.readings import Quantity

NOT_MEASURED = "not measured"
"""What stands where no sensor speaks for the trays."""

ROOM_QUANTITIES = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.LIGHT, Quantity.PPFD)
"""What a sensor of the air can say of trays, in the order in which it is shown."""


def is_covered(span: PhaseSpan) -> bool:
    """Tell whether trays in this phase stand under a cover: stacked, covered, or under a blackout cover."""
    if span.kind is PhaseKind.GERMINATION:
        return span.manner is not Manner.OPEN
    return span.kind is PhaseKind.BLACKOUT


def _outer_spots(farm: Farm, spot: str | None) -> tuple[str, ...]:
    """Return a spot and all that hold it, innermost first; no spot means the only room, if there is one."""
    if spot is not None:
        return farm.places.chain(spot)
    rooms = [each.id for each in farm.places if each.kind is SpotKind.ROOM]
    return tuple(rooms) if len(rooms) == 1 else ()


def _nearest(sensors: Iterable[Sensor], spots: tuple[str, ...]) -> tuple[Sensor, ...]:
    """Return the sensors of the innermost spot that has any."""
    known = list(sensors)
    for spot in spots:
        here = tuple(sensor for sensor in known if sensor.spot == spot)
        if here:
            return here
    return ()


def sensors_for(farm: Farm, spot: str | None, span: PhaseSpan, quantity: Quantity) -> tuple[Sensor, ...]:
    """Return the sensors that speak for trays at a spot in a phase; none means "not measured".

    Args:
        farm: The farm.
        spot: Where the trays are, or None where nobody said.
        span: Their phase.
        quantity: What is asked for.
    """
    spots = _outer_spots(farm, spot)
    of_kind = [sensor for sensor in farm.sensors.values() if sensor.quantity is quantity]
    if not is_covered(span):
        return _nearest((sensor for sensor in of_kind if not sensor.under_cover), spots)
    under = _nearest((sensor for sensor in of_kind if sensor.under_cover), spots)
    if under or quantity is not Quantity.TEMPERATURE:
        return under
    return _nearest((sensor for sensor in of_kind if not sensor.under_cover), spots)


def names_for(farm: Farm, spot: str | None, span: PhaseSpan, quantity: Quantity) -> list[str]:
    """Return the ids of the sensors that speak for trays at a spot in a phase; see sensors_for."""
    return [sensor.id for sensor in sensors_for(farm, spot, span, quantity)]
