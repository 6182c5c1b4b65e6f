"""``traywarden scale``: set up the scale under a tray by putting things on it in turn, and list what is set up."""

from __future__ import annotations

from datetime import timedelta
from statistics import median
from typing import Any

import click

from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.errors import RefusedError
from monitor.readings import Quantity
from monitor.scalesetup import ScaleSetup, setup_at, setups_of
from monitor.sensordeeds import CAUTION, Shown, read_shown, scale_of, setup_deed

_FRESH = timedelta(minutes=5)
_LAST = 5


def _shown(context: Context, sensor: str) -> float | None:
    """Return what a scale shows now: the median of its last readings; None where none is fresh."""
    from monitor.stores.opening import open_readings

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
    scale_of(context.farm(), sensor)
    desk = Desk(context, by, at)
    context.warn(f"Take care: {CAUTION}")
    ask = _Asker(context, sensor)
    shown = Shown(
        zero_g=ask.shown(zero, "Take everything off the scale"),
        known_g=ask.typed(known, "What does your known mass weigh, in g"),
        known_shown_g=ask.shown(known_shown, "Put the known mass on it, in the middle"),
        tare_g=ask.shown(tare, "Take it off; put on an empty tray with its bottom tray"),
        dry_g=ask.shown(dry_shown, "Fill the tray with dry medium, as for sowing, without seed"),
        full_g=ask.shown(full_shown, "Water it until it takes no more, drain it for half an hour, put it back"),
        limp_g=ask.limp(limp_shown),
    )
    desk.note(setup_deed(desk, sensor, shown, trays=trays, weight_kg=weight, carries_kg=carries))


class _Asker:
    """Asks for one weight after the other; the scale itself answers where it speaks."""

    def __init__(self, context: Context, sensor: str) -> None:
        """Take the scale that is asked."""
        self._context, self._sensor = context, sensor
        self._units = context.farm().units
        self._has_asked = False

    def typed(self, given: str | None, question: str) -> float:
        """Return a weight that a person types."""
        return read_shown(given if given is not None else str(click.prompt(question, err=True)), self._units)

    def shown(self, given: str | None, what: str) -> float:
        """Return what the scale shows: as given, as read from it, or as typed."""
        if given is not None:
            return read_shown(given, self._units)
        self._has_asked = True
        answer = str(click.prompt(f"{what}; wait a minute, then Enter (or type what it shows)", default="", err=True))
        if answer.strip():
            return read_shown(answer, self._units)
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
            return None if given.strip().casefold() in ("", "none", "no") else read_shown(given, self._units)
        if not self._has_asked:
            return None  # all was given on the command line
        answer = str(
            click.prompt("A tray that limps, plants cut off, shows (Enter: never weighed)", default="", err=True)
        )
        return read_shown(answer, self._units) if answer.strip() else None


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
