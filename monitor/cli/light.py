"""``traywarden light``: how long each place was lit each day, and how much light that was."""

from __future__ import annotations

from datetime import time, timedelta

import click
import numpy as np

from monitor.amounts import say_day
from monitor.cli.common import Context, json_option
from monitor.clock import at_local, local_day
from monitor.errors import RefusedError
from monitor.farm import Sensor
from monitor.light import LightDay, light_days, lux_factor
from monitor.readings import USABLE, Quantity, to_ms


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
    from monitor.service import open_readings

    farm, now = context.farm(), context.clock()
    spot = farm.places.find(place).id if place else None
    sensors = [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity in (Quantity.LIGHT, Quantity.PPFD)
        and (spot is None or farm.places.is_within(sensor.spot, spot) or farm.places.is_within(spot, sensor.spot))
    ]
    if not sensors:
        raise RefusedError("no light sensor stands there; `traywarden keys` says how one is added to farm.toml")
    last = local_day(now, farm.zone)
    first = last - timedelta(days=days - 1)
    store = open_readings(farm)
    rows = []
    try:
        for sensor in sensors:
            block = store.read([sensor.id], at_local(first, time(0), farm.zone) - timedelta(hours=1), now)
            good = np.isin(block.flag, [int(flag) for flag in USABLE])
            found = light_days(
                block.measured_at_ms[good],
                block.value[good],
                sensor.quantity,
                first,
                last,
                farm.zone,
                now_ms=to_ms(now),
                lux_per_umol=lux_factor(sensor.lux_per_umol, sensor.lamp_kind),
            )
            rows.append((sensor, found))
    finally:
        store.close()
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.light/1",
                "sensors": [
                    {
                        "sensor": sensor.id,
                        "spot": sensor.spot,
                        "days": [
                            {
                                "day": day.day.isoformat(),
                                "lit_h": round(day.lit_h, 3),
                                "dark_h": round(day.dark_h, 3),
                                "unknown_h": round(day.unknown_h, 3),
                                "mol_m2": None if day.mol_m2 is None else round(day.mol_m2, 3),
                            }
                            for day in found
                        ],
                    }
                    for sensor, found in rows
                ],
            }
        )
        return
    for sensor, found in rows:
        context.echo(f"{farm.places.name(sensor.spot)} ({sensor.id})")
        for day in found:
            context.echo(_line(day, sensor))
        if sensor.quantity is Quantity.LIGHT and lux_factor(sensor.lux_per_umol, sensor.lamp_kind) is None:
            context.echo("  how much light that is: say what shines with lamp_kind, or lux_per_umol, in farm.toml")
