"""Sensors, each with what it last said, as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from alerts.answers import Answers, answers_of
from monitor.calibration import calibration_at, calibrations_of
from monitor.farm import Farm, Sensor
from monitor.ledger import Entry
from monitor.readings import Quantity, Reading
from monitor.scalesetup import setup_at, setups_of

Row = tuple[Sensor, Reading | None, dict[str, Any]]


def sensor_json(sensor: Sensor, reading: Reading | None, known: str, answers: Answers, now: datetime) -> dict[str, Any]:
    """Return one sensor as the documented JSON."""
    rest = answers.resting.get(sensor.id)
    return {
        "sensor": sensor.id,
        "quantity": sensor.quantity.value,
        "spot": sensor.spot,
        "under_cover": sensor.under_cover,
        "value": reading.value if reading else None,
        "at": reading.measured_at.isoformat() if reading else None,
        "flag": int(reading.flag) if reading else None,
        "out_of_service": rest is not None and rest.holds(now),
        "set_up": known,
    }


def _set_up(sensor: Sensor, farm: Farm, entries: Sequence[Entry], now: datetime) -> str:
    """Return whether a scale is set up, or how a sensor is corrected."""
    if sensor.quantity is Quantity.WEIGHT:
        held = setup_at(setups_of(entries, farm.sensors).get(sensor.id, ()), now)
        return "set up" if held is not None and held.full_g is not None else "never set up"
    made = calibration_at(calibrations_of(entries).get(sensor.id, ()), now)
    return "as it shows" if made is None else f"{made.factor:g} times what it shows, {made.offset:+g}"


def sensor_rows(farm: Farm, latest: Mapping[str, Reading], entries: Sequence[Entry], now: datetime) -> list[Row]:
    """Return the farm's sensors in walking order, each with its newest reading and its facts."""
    answers = answers_of(entries)
    ordered = sorted(farm.sensors.values(), key=lambda sensor: farm.places.walking_order(sensor.spot))
    return [
        (
            each,
            latest.get(each.id),
            sensor_json(each, latest.get(each.id), _set_up(each, farm, entries, now), answers, now),
        )
        for each in ordered
    ]


def sensors_facts(rows: Iterable[Row]) -> dict[str, Any]:
    """Return sensors as the documented JSON."""
    return {"schema": "traywarden.sensors/1", "sensors": [facts for _, _, facts in rows]}
