"""``traywarden scale``: set up the scale under a tray by putting things on it in turn, and list what is set up."""

from __future__ import annotations

from datetime import timedelta
from statistics import median
from typing import Any

import click

from monitor.amounts import read_g, say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.errors import NotFoundError, RefusedError
from monitor.farm import Sensor
from monitor.ledger import EntryKind
from monitor.readings import Quantity
from monitor.scalesetup import ScaleSetup, setup_at, setup_data, setups_of

CAUTION = (
    "Water and electricity: nothing mains-powered under or over a tray. Feed the scale from a low-voltage supply that "
    "stands away from the water, let the cable hang in a loop so that drops fall off it, and keep sockets behind "
    "ground-fault protection. Local codes and a licensed electrician decide."
)
_FRESH = timedelta(minutes=5)
_LAST = 5


def _sensor(context: Context, name: str) -> Sensor:
    """Return the scale that is meant.

    Raises:
        NotFoundError: There is no such scale.
    """
    found = context.farm().sensors.get(name)
    scales = [sensor.id for sensor in context.farm().sensors.values() if sensor.quantity is Quantity.WEIGHT]
    if found is None or found.quantity is not Quantity.WEIGHT:
        known = (
            f"there are: {', '.join(scales)}" if scales else 'add a [[sensor]] with quantity = "weight" to farm.toml'
        )
        raise NotFoundError(f"there is no scale {name!r} in farm.toml; {known}")
    return found


def _shown(context: Context, sensor: str) -> float | None:
    """Return what a scale shows now: the median of its last readings; None where none is fresh."""
    from monitor.service import open_readings

    farm, now = context.farm(), context.clock()
    if farm.storage.influx is None and not farm.storage.folder.exists():
        return None
    store = open_readings(farm)
    try:
        block = store.read([sensor], now - _FRESH, now + timedelta(minutes=1))
    finally:
        store.close()
    values = block.value.tolist()[-_LAST:]
    return float(median(values)) if values else None


@click.group(epilog="Example: traywarden scale setup scale-1")
def scale() -> None:
    """Set up scales under trays, and list them."""


@scale.command(epilog="Example: traywarden scale setup scale-1 --trays 4 --weight 6")
@click.argument("sensor")
@click.option(
    "--trays", "trays", type=click.IntRange(1, 60), default=1, help="Trays that it carries at most, in a pile."
)
@click.option("--weight", type=click.FloatRange(0, 60), default=0.0, metavar="KG", help="Weight on that pile. [kg]")
@click.option(
    "--carries", type=click.FloatRange(0.1), metavar="KG", help="What the cell can carry, as its label says. [kg]"
)
@click.option("--zero", metavar="SHOWN", help="What it shows empty; else it is asked for.")
@click.option("--known", metavar="WEIGHT", help="What a known mass weighs.")
@click.option("--known-shown", metavar="SHOWN", help="What it shows with that on it.")
@click.option("--tare", metavar="SHOWN", help="... with an empty tray and its bottom tray.")
@click.option("--dry", "dry_shown", metavar="SHOWN", help="... with dry medium in it, without seed.")
@click.option("--full", "full_shown", metavar="SHOWN", help="... watered until it takes no more, drained half an hour.")
@click.option("--limp", "limp_shown", metavar="SHOWN", help="... of a tray whose plants limp, the plants cut off.")
@common
@click.pass_obj
def setup(
    context: Context,
    sensor: str,
    trays: int,
    weight: float,
    carries: float | None,
    zero: str | None,
    known: str | None,
    known_shown: str | None,
    tare: str | None,
    dry_shown: str | None,
    full_shown: str | None,
    limp_shown: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Set up a scale: put things on it in turn; each step is read from the scale, or typed.

    Needs a mass that you know (a full bottle from the kitchen scale), an empty tray with its bottom tray, and dry
    medium. The set-up holds from now on; earlier readings keep the one of their day.
    """
    found = _sensor(context, sensor)
    desk = Desk(context, by, at)
    context.warn(f"Take care: {CAUTION}")
    ask = _Asker(context, sensor)
    zero_g = ask.shown(zero, "Take everything off the scale")
    known_g = ask.typed(known, "What does your known mass weigh, in g")
    shown_g = ask.shown(known_shown, "Put the known mass on it, in the middle")
    tare_g = ask.shown(tare, "Take it off; put on an empty tray with its bottom tray")
    dry_g = ask.shown(dry_shown, "Fill the tray with dry medium, as for sowing, without seed")
    full_g = ask.shown(full_shown, "Water it until it takes no more, drain it for half an hour, put it back")
    limp_g = ask.limp(limp_shown)
    factor = known_g / (shown_g - zero_g) if shown_g != zero_g else 0.0
    carries_g = carries * 1000 if carries is not None else found.carries_g
    if carries_g is None:
        desk.warnings.append(
            f"What {sensor} can carry was not said, so nobody checked that it carries {trays} full "
            f"tray{'s' if trays > 1 else ''} and {weight:g} kg; its label says (option --carries)"
        )
    data = setup_data(
        sensor=sensor,
        zero_g=zero_g,
        known_g=known_g,
        known_shown_g=shown_g,
        tare_shown_g=tare_g,
        dry_shown_g=dry_g,
        full_shown_g=full_g,
        limp_shown_g=limp_g,
        carries_g=carries_g,
        load_g=trays * factor * (full_g - zero_g) + weight * 1000,
    )
    desk.write([desk.entry(EntryKind.CALIBRATED, None, data=data)], [_said(data, limp_g is not None)])


def _said(data: dict[str, Any], limp: bool) -> str:
    """Return what was noted."""
    limps = f"limps at {data['limp_g']:.0f} g" if limp else "the weight at which it limps is reckoned, not weighed"
    return (
        f"Noted: {data['sensor']} is set up. Empty tray {data['tare_g']:.0f} g, with dry medium {data['dry_g']:.0f} g, "
        f"full {data['full_g']:.0f} g ({data['full_g'] - data['dry_g']:.0f} g of water); {limps}."
    )


class _Asker:
    """Asks for one weight after the other; the scale itself answers where it speaks."""

    def __init__(self, context: Context, sensor: str) -> None:
        """Take the scale that is asked."""
        self._context, self._sensor = context, sensor
        self._units = context.farm().units
        self._has_asked = False

    def typed(self, given: str | None, question: str) -> float:
        """Return a weight that a person types."""
        return self._number(given if given is not None else str(click.prompt(question, err=True)))

    def shown(self, given: str | None, what: str) -> float:
        """Return what the scale shows: as given, as read from it, or as typed."""
        if given is not None:
            return self._number(given)
        self._has_asked = True
        answer = str(click.prompt(f"{what}; wait a minute, then Enter (or type what it shows)", default="", err=True))
        if answer.strip():
            return self._number(answer)
        value = _shown(self._context, self._sensor)
        if value is None:
            raise RefusedError(
                f"{self._sensor} has said nothing for 5 minutes; is `traywarden run` listening, and its battery full? "
                "Type what it shows instead"
            )
        click.echo(f"   it shows {value:.1f} g", err=True)
        return value

    def limp(self, given: str | None) -> float | None:
        """Return the weight at which a tray limps, or None where nobody has weighed one."""
        if given is not None:
            return None if given.strip().casefold() in ("", "none", "no") else self._number(given)
        if not self._has_asked:
            return None  # all was given on the command line
        answer = str(
            click.prompt("A tray that limps, plants cut off, shows (Enter: never weighed)", default="", err=True)
        )
        return self._number(answer) if answer.strip() else None

    def _number(self, said: str) -> float:
        """Return a weight in g; a bare number is g."""
        try:
            return float(said.strip().replace(",", "."))
        except ValueError:
            return read_g(said, self._units)


@scale.command("list", epilog="Example: traywarden scale list")
@json_option
@click.pass_obj
def list_(context: Context) -> None:
    """List the scales of the farm with the set-up that holds, and since when."""
    farm, now = context.farm(), context.clock()
    setups = setups_of(context.ledger().entries(), farm.sensors)
    scales = [sensor for sensor in farm.sensors.values() if sensor.quantity is Quantity.WEIGHT]
    if context.as_json:
        rows = []
        for sensor in scales:
            held = setup_at(setups.get(sensor.id, ()), now)
            rows.append(
                {"scale": sensor.id, "spot": sensor.spot, "trays_on_it": sensor.trays_on_it, "setup": _plain(held)}
            )
        context.echo_json({"schema": "traywarden.scales/1", "scales": rows})
        return
    if not scales:
        context.echo('No scale stands in farm.toml; add a [[sensor]] with quantity = "weight" and its spot.')
    for sensor in scales:
        held = setup_at(setups.get(sensor.id, ()), now)
        where = farm.places.name(sensor.spot)
        if held is None or held.full_g is None or held.limp_g is None:
            context.echo(f"{sensor.id}, {where}: never set up; traywarden scale setup {sensor.id}")
            continue
        since = "by farm.toml" if held.since.year == 1970 else f"since {say_time(held.since, farm.zone)}"
        limp = "weighed" if held.limp_is_measured else "reckoned"
        context.echo(
            f"{sensor.id}, {where}: full {held.full_g:.0f} g, limp {held.limp_g:.0f} g ({limp}), "
            f"zero {held.zero_g:.0f} g, {since}"
        )


def _plain(held: ScaleSetup | None) -> dict[str, Any] | None:
    """Return a set-up as the documented JSON."""
    if held is None:
        return None
    return {
        "since": held.since.isoformat(),
        "zero_g": held.zero_g,
        "factor": held.factor,
        "full_g": held.full_g,
        "limp_g": held.limp_g,
        "limp_is_measured": held.limp_is_measured,
        "held_g": held.held_g,
        "carries_g": held.carries_g,
    }
