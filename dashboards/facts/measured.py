"""What the sensors say of a batch now, each value with its sensor and age, or "not measured"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from monitor.amounts import Units, say_temp, say_time
from monitor.batches import Batch
from monitor.farm import Farm, Sensor
from monitor.phases import PhaseSpan, phase_now
from monitor.profiles import Profile
from monitor.reach import NOT_MEASURED, ROOM_QUANTITIES, is_covered, sensors_for
from monitor.readings import Quantity, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What is known of one quantity for trays at a spot.

    Attributes:
        quantity: Which.
        sensors: Sensors that speak for the trays; empty: not measured.
        reading: The newest of them, or None.
        covered: The trays are under a cover.
    """

    quantity: Quantity
    sensors: tuple[Sensor, ...]
    reading: Reading | None
    covered: bool


def measured(farm: Farm, spot: str | None, span: PhaseSpan, latest: Mapping[str, Reading]) -> tuple[Measured, ...]:
    """Return what is known of the air and light of trays; photon flux only where the farm measures it.

    Args:
        farm: The farm.
        spot: Where the trays are, or None.
        span: Their phase.
        latest: Newest reading of each sensor that has one.
    """
    found = []
    for quantity in ROOM_QUANTITIES:
        speaking = sensors_for(farm, spot, span, quantity)
        if quantity is Quantity.PPFD and not speaking:
            continue
        newest = [latest[sensor.id] for sensor in speaking if sensor.id in latest]
        reading = max(newest, key=lambda each: each.measured_at) if newest else None
        found.append(Measured(quantity=quantity, sensors=speaking, reading=reading, covered=is_covered(span)))
    return tuple(found)


def say_value(reading: Reading, quantity: Quantity, units: Units) -> str:
    """Return a reading's value in words."""
    if quantity is Quantity.TEMPERATURE:
        return say_temp(reading.value, units)
    unit = {Quantity.HUMIDITY: " %", Quantity.BATTERY: " %", Quantity.LIGHT: " lux", Quantity.PPFD: " umol/m2/s"}.get(
        quantity, " g"
    )
    return f"{round(reading.value)}{unit}"


def say_measured(found: Measured, farm: Farm) -> str:
    """Return one quantity in a line: value, instant and sensor, or why there is none."""
    if not found.sensors:
        why = ": no sensor lies under the cover" if found.covered else ": no sensor here"
        return f"{found.quantity.value}: {NOT_MEASURED}{why}"
    names = ", ".join(sensor.id for sensor in found.sensors)
    if found.reading is None:
        return f"{found.quantity.value}: nothing heard yet from {names}"
    value = say_value(found.reading, found.quantity, farm.units)
    at = say_time(found.reading.measured_at, farm.zone)
    stands_in = ", the air of the place" if found.covered and not found.sensors[0].under_cover else ""
    return f"{found.quantity.value}: {value}, {at} ({found.reading.sensor}{stands_in})"


def measured_json(found: Measured) -> dict[str, object]:
    """Return one quantity as the documented JSON."""
    reading = found.reading
    return {
        "quantity": found.quantity.value,
        "sensors": [sensor.id for sensor in found.sensors],
        "says": NOT_MEASURED if not found.sensors else None,
        "value": reading.value if reading else None,
        "sensor": reading.sensor if reading else None,
        "at": reading.measured_at.isoformat() if reading else None,
    }


def measured_parts(
    farm: Farm, batch: Batch, profile: Profile | None, latest: Mapping[str, Reading], now: datetime
) -> list[tuple[str | None, tuple[Measured, ...]]]:
    """Return what the sensors say of each standing part of a batch, by place; nothing on a farm without sensors."""
    if profile is None or not farm.sensors:
        return []
    by_spot: dict[str | None, tuple[Measured, ...]] = {}
    for part in batch.standing:
        span = phase_now(batch, part, profile, now=now, zone=farm.zone)
        by_spot.setdefault(part.spot, measured(farm, part.spot, span, latest))
    return list(by_spot.items())
