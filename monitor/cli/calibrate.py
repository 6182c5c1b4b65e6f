"""``traywarden calibrate``: check a thermometer in ice water, a humidity sensor over salts, and keep what follows."""

from __future__ import annotations

import click

from monitor.amounts import say_time
from monitor.calibration import calibration_data, calibrations_of, salt_humidity
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.errors import RefusedError
from monitor.ledger import EntryKind
from monitor.readings import Quantity


def _points(
    ice: float | None, against: tuple[float, float] | None, salts: tuple[tuple[str, float], ...], temp_c: float
) -> list[tuple[float, float]]:
    """Return (what it should show, what it showed) of each fixed point."""
    points = [] if ice is None else [(0.0, ice)]
    if against is not None:
        points.append(against)
    return points + [(salt_humidity(salt, temp_c), shown) for salt, shown in salts]


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
    found = desk.sensor(sensor)
    if found.quantity is Quantity.WEIGHT:
        raise RefusedError(f"{sensor} is a scale; it is set up with: traywarden scale setup {sensor}")
    if ends:
        data = {"sensor": sensor, "what": "sensor", "factor": 1.0, "offset": 0.0, "points": []}
        desk.write([desk.entry(EntryKind.CALIBRATED, None, data=data)], [f"Noted: {sensor} counts as it shows."])
        return
    points = _points(ice, against, salts, temp_c)
    if not points:
        held = calibrations_of(desk.entries).get(sensor, ())
        if not held:
            context.echo(f"{sensor} was never checked: its readings count as they are. Begin with --ice or --salt.")
        for one in held:
            since = say_time(one.since, desk.farm.zone)
            context.echo(f"since {since}: {one.factor:g} times what it shows, {one.offset:+g}")
        return
    if len(points) > 2:
        raise RefusedError("one or two fixed points at a time; a straight line has no use for a third")
    data = calibration_data(sensor, found.quantity, points)
    said = f"Noted: from now on {sensor} counts as {data['factor']:g} times what it shows, {data['offset']:+g}."
    desk.write([desk.entry(EntryKind.CALIBRATED, None, data=data)], [said])
