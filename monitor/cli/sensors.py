"""``traywarden sensors``: each sensor with what it last said, how old that is, and what is to be known of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import click

from dashboards.facts.measured import say_value
from dashboards.facts.sensors import sensor_rows, sensors_facts
from monitor.cli.common import Context, json_option, latest_readings
from monitor.farm import Farm, Sensor
from monitor.readings import Flag, Reading

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
    rows = sensor_rows(farm, latest, context.ledger().entries(), now)
    if context.as_json:
        context.echo_json(sensors_facts(rows))
        return
    if not rows:
        context.echo("This farm has no sensor, and needs none; `traywarden keys` says how one is added.")
    for sensor, reading, facts in rows:
        context.echo(_line(sensor, reading, facts, farm, now))
