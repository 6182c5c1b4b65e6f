"""What a wish about a sensor comes to: checked at fixed points, taken as it shows, a scale set up; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.amounts import Units, read_g
from monitor.calibration import calibration_data, salt_humidity
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.farm import Farm, Sensor
from monitor.ledger import EntryKind
from monitor.readings import Quantity
from monitor.scalesetup import setup_data

CAUTION = (
    "Water and electricity: nothing mains-powered under or over a tray. Feed the scale from a low-voltage supply that "
    "stands away from the water, let the cable hang in a loop so that drops fall off it, and keep sockets behind "
    "ground-fault protection. Local codes and a licensed electrician decide."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a scale showed with one thing after the other on it, all as shown but the known mass. [g].

    Attributes:
        zero_g: Nothing on it. [g]
        known_g: What a known mass really weighs. [g]
        known_shown_g: That mass on it. [g]
        tare_g: An empty tray with its bottom tray. [g]
        dry_g: The same filled with dry medium. [g]
        full_g: Watered until it takes no more, and drained. [g]
        limp_g: A tray whose plants limp, the plants cut off; None: never weighed. [g]
    """

    zero_g: float
    known_g: float
    known_shown_g: float
    tare_g: float
    dry_g: float
    full_g: float
    limp_g: float | None = None


def read_shown(said: str, units: Units) -> float:
    """Return a weight as a person writes down what a scale shows; a bare number is g. [g].

    Raises:
        RefusedError: It cannot be read.
    """
    try:
        return float(said.strip().replace(",", "."))
    except ValueError:
        return read_g(said, units)


def fixed_points(
    ice: float | None, against: tuple[float, float] | None, salts: Sequence[tuple[str, float]], temp_c: float
) -> list[tuple[float, float]]:
    """Return (what it should show, what it showed) of each fixed point.

    Args:
        ice: What a thermometer showed in stirred crushed ice and water; None: not done. [degC]
        against: (right, shown) beside an instrument that is trusted; None: not done. [stored unit]
        salts: (salt, shown) over wet salts. [%RH]
        temp_c: Temperature of the salts. [degC]

    Raises:
        RefusedError: A salt is not known, or the temperature lies outside its table.
    """
    points = [] if ice is None else [(0.0, ice)]
    if against is not None:
        points.append(against)
    return points + [(salt_humidity(salt, temp_c), shown) for salt, shown in salts]


def calibrate_deed(desk: Desk, sensor: str, points: Sequence[tuple[float, float]]) -> Deed:
    """Return a check at one or two fixed points, and what follows for the sensor's readings.

    Raises:
        RefusedError: It cannot be; says why and what to do.
    """
    found = checked_sensor(desk, sensor)
    if len(points) > 2:
        raise RefusedError("one or two fixed points at a time; a straight line has no use for a third")
    if not points:
        raise RefusedError(f"say what {sensor} showed at a fixed point")
    data = calibration_data(sensor, found.quantity, points)
    said = f"Noted: from now on {sensor} counts as {data['factor']:g} times what it shows, {data['offset']:+g}."
    return Deed(entries=(desk.entry(EntryKind.CALIBRATED, None, data=data),), said=(said,))


def as_shown_deed(desk: Desk, sensor: str) -> Deed:
    """Return that a sensor's readings count as they are from now on."""
    checked_sensor(desk, sensor)
    data = {"sensor": sensor, "what": "sensor", "factor": 1.0, "offset": 0.0, "points": []}
    entry = desk.entry(EntryKind.CALIBRATED, None, data=data)
    return Deed(entries=(entry,), said=(f"Noted: {sensor} counts as it shows.",))


def checked_sensor(desk: Desk, sensor: str) -> Sensor:
    """Return a sensor that is checked at fixed points.

    Raises:
        NotFoundError: There is no such sensor.
        RefusedError: It is a scale.
    """
    found = desk.sensor(sensor)
    if found.quantity is Quantity.WEIGHT:
        raise RefusedError(f"{sensor} is a scale; it is set up with: traywarden scale setup {sensor}")
    return found


def scale_of(farm: Farm, name: str) -> Sensor:
    """Return the scale that is meant.

    Raises:
        NotFoundError: There is no such scale.
    """
    found = farm.sensors.get(name)
    scales = [sensor.id for sensor in farm.sensors.values() if sensor.quantity is Quantity.WEIGHT]
    if found is None or found.quantity is not Quantity.WEIGHT:
        known = (
            f"there are: {', '.join(scales)}" if scales else 'add a [[sensor]] with quantity = "weight" to farm.toml'
        )
        raise NotFoundError(f"there is no scale {name!r} in farm.toml; {known}")
    return found


def setup_deed(
    desk: Desk, sensor: str, shown: Shown, *, trays: int = 1, weight_kg: float = 0.0, carries_kg: float | None = None
) -> Deed:
    """Return a scale's set-up.

    Args:
        desk: The desk.
        sensor: The scale.
        shown: What it showed.
        trays: How many trays it carries at most, in a pile.
        weight_kg: Weight on that pile. [kg]
        carries_kg: What the cell can carry; None: as farm.toml says, if it does. [kg]

    Raises:
        RefusedError: It cannot be; says why and what to do.
    """
    found = scale_of(desk.farm, sensor)
    carries_g = carries_kg * 1000 if carries_kg is not None else found.carries_g
    if carries_g is None:
        desk.warnings.append(
            f"What {sensor} can carry was not said, so nobody checked that it carries {trays} full "
            f"tray{'s' if trays > 1 else ''} and {weight_kg:g} kg; its label says (option --carries)"
        )
    over_zero = shown.known_shown_g - shown.zero_g
    factor = shown.known_g / over_zero if over_zero else 0.0
    data = setup_data(
        sensor=sensor,
        zero_g=shown.zero_g,
        known_g=shown.known_g,
        known_shown_g=shown.known_shown_g,
        tare_shown_g=shown.tare_g,
        dry_shown_g=shown.dry_g,
        full_shown_g=shown.full_g,
        limp_shown_g=shown.limp_g,
        carries_g=carries_g,
        load_g=trays * factor * (shown.full_g - shown.zero_g) + weight_kg * 1000,
    )
    said = _said(data, shown.limp_g is not None)
    return Deed(entries=(desk.entry(EntryKind.CALIBRATED, None, data=data),), said=(said,))


def _said(data: dict[str, Any], limp: bool) -> str:
    """Return what was noted of a set-up."""
    limps = f"limps at {data['limp_g']:.0f} g" if limp else "the weight at which it limps is reckoned, not weighed"
    return (
        f"Noted: {data['sensor']} is set up. Empty tray {data['tare_g']:.0f} g, with dry medium {data['dry_g']:.0f} g, "
        f"full {data['full_g']:.0f} g ({data['full_g'] - data['dry_g']:.0f} g of water); {limps}."
    )
