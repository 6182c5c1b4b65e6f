"""``traywarden light``: how long each place was lit each day, and how much light that was."""

from __future__ import annotations

import click

from dashboards.facts.light import light_facts, light_rows, light_sensors
from monitor.amounts import say_day
from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError
from monitor.farm import Sensor
from monitor.light import LightDay, lux_factor
from monitor.readings import Quantity


def _line(day: LightDay, sensor: Sensor) -> str:
    """Return one day of one sensor in words."""
    unknown = f", {day.unknown_h:.1f} h not known" if day.unknown_h >= 0.1 else ""
    if day.mol_m2 is None:
        amount = ""
    elif day.unknown_h >= 0.5:
        amount = f"; at least {day.mol_m2:.1f} mol/m2"
    else:
        amount = f"; {day.mol_m2:.1f} mol/m2"
    return f"  {say_day(day.day)}  lit {day.lit_h:.1f} h, dark {day.dark_h:.1f} h{unknown}{amount}"


@click.command(epilog="Example: traywarden light 1/2 --days 3")
@click.argument("place", required=False)
@click.option("--days", type=click.IntRange(1, 60), default=7, show_default=True, help="How many days back.")
@json_option
@click.pass_obj
def light(context: Context, place: str | None, days: int) -> None:
    """Say how many hours each place with a light sensor was lit, dark and unknown, and how much light it was."""
    from monitor.stores.opening import open_readings

    farm, now = context.farm(), context.clock()
    sensors = light_sensors(farm, place)
    if not sensors:
        raise RefusedError("no light sensor stands there; `traywarden keys` says how one is added to farm.toml")
    store = open_readings(farm)
    try:
        rows = light_rows(farm, sensors, store, now=now, days=days)
    finally:
        store.close()
    if context.as_json:
        context.echo_json(light_facts(rows))
        return
    for sensor, found in rows:
        context.echo(f"{farm.places.name(sensor.spot)} ({sensor.id})")
        for day in found:
            context.echo(_line(day, sensor))
        if sensor.quantity is Quantity.LIGHT and lux_factor(sensor.lux_per_umol, sensor.lamp_kind) is None:
            context.echo("  how much light that is: say what shines with lamp_kind, or lux_per_umol, in farm.toml")
