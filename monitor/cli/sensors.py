"""``traywarden sensors``: each sensor with what it last said, how old that is, and what is to be known of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import click

from alerts.answers import Answers, answers_of
from monitor.calibration import calibration_at, calibrations_of
from monitor.cli.common import Context, json_option
from monitor.cli.measured import latest_readings, say_value
from monitor.farm import Farm, Sensor
from monitor.readings import Flag, Quantity, Reading
from monitor.scalesetup import setup_at, setups_of

_OLD = timedelta(minutes=30)
_FLAG_WORDS = {Flag.SUSPECT: "doubtful", Flag.FAIL: "cannot be right", Flag.MISSING: "missing"}


def say_age(age: timedelta) -> str:
    """Return how old something is, in words."""
    minutes = max(round(age / timedelta(minutes=1)), 0)
    if minutes < 2:
        return "just now"
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h ago" if minutes < 48 * 60 else f"{minutes // 1440} days ago"


def _facts(sensor: Sensor, reading: Reading | None, known: str, answers: Answers, now: datetime) -> dict[str, Any]:
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


def _set_up(sensor: Sensor, context: Context, now: datetime) -> str:
    """Return whether a scale is set up, or how a sensor is corrected."""
    entries = context.ledger().entries()
    if sensor.quantity is Quantity.WEIGHT:
        held = setup_at(setups_of(entries, context.farm().sensors).get(sensor.id, ()), now)
        return "set up" if held is not None and held.full_g is not None else "never set up"
    made = calibration_at(calibrations_of(entries).get(sensor.id, ()), now)
    return "as it shows" if made is None else f"{made.factor:g} times what it shows, {made.offset:+g}"


def _line(sensor: Sensor, reading: Reading | None, facts: dict[str, Any], farm: Farm, now: datetime) -> str:
    """Return one sensor in words."""
    place = farm.places.name(sensor.spot) + (", under the cover" if sensor.under_cover else "")
    if reading is None:
        said = "never heard"
    else:
        age = now - reading.measured_at
        old = " OLD" if age > _OLD else ""
        doubt = f" ({_FLAG_WORDS[reading.flag]})" if reading.flag in _FLAG_WORDS else ""
        said = f"{say_value(reading, sensor.quantity, farm.units)}{doubt}, {say_age(age)}{old}"
    rest = "; OUT OF SERVICE" if facts["out_of_service"] else ""
    known = "" if facts["set_up"] == "as it shows" else f"; {facts['set_up']}"
    return f"{sensor.id}, {sensor.quantity.value}, {place}: {said}{known}{rest}"


@click.command(epilog="Example: traywarden sensors")
@json_option
@click.pass_obj
def sensors(context: Context) -> None:
    """List each sensor with what it last said, how old that is, and how it is set up or corrected."""
    farm, now = context.farm(), context.clock()
    latest = latest_readings(farm)
    answers = answers_of(context.ledger().entries())
    ordered = sorted(farm.sensors.values(), key=lambda sensor: farm.places.walking_order(sensor.spot))
    rows = [
        (each, latest.get(each.id), _facts(each, latest.get(each.id), _set_up(each, context, now), answers, now))
        for each in ordered
    ]
    if context.as_json:
        context.echo_json({"schema": "traywarden.sensors/1", "sensors": [facts for _, _, facts in rows]})
        return
    if not rows:
        context.echo("This farm has no sensor, and needs none; `traywarden keys` says how one is added.")
    for sensor, reading, facts in rows:
        context.echo(_line(sensor, reading, facts, farm, now))
