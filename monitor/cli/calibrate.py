"""``traywarden calibrate``: check a thermometer in ice water, a humidity sensor over salts, and keep what follows."""

from __future__ import annotations

import click

from monitor.amounts import say_time
from monitor.calibration import calibrations_of
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.sensordeeds import as_shown_deed, calibrate_deed, checked_sensor, fixed_points


@click.command(epilog="Example: traywarden calibrate damp-1 --salt NaCl 73.1 --salt MgCl2 34.5 --temp 21")
@click.argument("sensor")
@click.option("--ice", type=float, metavar="SHOWN", help="Thermometer: what it shows in stirred crushed ice and water.")
@click.option(
    "--salt", "salts", type=(str, float), multiple=True, metavar="SALT SHOWN", help="Over a wet salt, an hour."
)
@click.option("--temp", "temp_c", type=float, default=20.0, show_default=True, metavar="C", help="Temperature there.")
@click.option("--against", type=(float, float), metavar="RIGHT SHOWN", help="Beside an instrument that you trust.")
@click.option("--none", "ends", is_flag=True, help="From now on its readings count as they are.")
@common
@click.pass_obj
def calibrate(
    context: Context,
    sensor: str,
    ice: float | None,
    salts: tuple[tuple[str, float], ...],
    temp_c: float,
    against: tuple[float, float] | None,
    ends: bool,
    at: str | None,
    by: str | None,
) -> None:
    """Check a sensor at one or two fixed points; from now on its readings are put right by what follows.

    Give what it showed RAW, before any correction: `traywarden calibrate SENSOR` without more says what holds now.
    Raw readings stay in the store.
    """
    desk = Desk(context, by, at)
    checked_sensor(desk, sensor)
    if ends:
        desk.note(as_shown_deed(desk, sensor))
        return
    points = fixed_points(ice, against, salts, temp_c)
    if points:
        desk.note(calibrate_deed(desk, sensor, points))
        return
    held = calibrations_of(desk.entries).get(sensor, ())
    if not held:
        context.echo(f"{sensor} was never checked: its readings count as they are. Begin with --ice or --salt.")
    for one in held:
        since = say_time(one.since, desk.farm.zone)
        context.echo(f"since {since}: {one.factor:g} times what it shows, {one.offset:+g}")
