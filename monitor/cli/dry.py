"""``traywarden dry``: what is dry, how much to pour, and when the rest will be; computed, nothing is sent."""

from __future__ import annotations

import click

from alerts.findings import Tick
from alerts.nudges import carry_words
from alerts.pours import dry_words
from alerts.watering import KNOWN_WORDS, PartWater
from dashboards.facts.dry import dry_facts, water_view
from monitor.amounts import say_ml, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.timewords import read_instant

COVERED = "under its cover: not asked for, and not to be lifted for it"


def _line(known: PartWater, tick: Tick, *, due: bool) -> str:
    """Return the water of one part in one line."""
    farm = tick.farm
    head = (
        f"Batch {known.batch.id} {known.profile.name.lower()}, {say_trays(known.part.trays)} on "
        f"{farm.places.name(known.part.spot)}"
    )
    if known.covered:
        return f"{head}: {COVERED}."
    if known.water is None:
        doubt = known.scale.doubt if known.scale else None
        if doubt:
            return f"{head}: not known. {doubt}"
        return f"{head}: only the profile's days tell; say how it feels: traywarden lift {known.batch.id} right"
    water = known.water
    pour = f"POUR {say_ml(water.pour_g, farm.units)} each. " if due else ""
    stands = (
        f" Stands in water since {say_time(known.stands_since, farm.zone)}: leave it." if known.stands_since else ""
    )
    span = f"{max(water.left_low, 0):.0%} to {max(water.left_high, 0):.0%}"
    left = f"{max(water.left, 0):.0%} left ({span}), {KNOWN_WORDS[water.known]}"
    return f"{head}: {pour}{left}; {dry_words(water, tick)}.{stands}"


@click.command(epilog="Example: traywarden dry --batch 12")
@click.option("--batch", "only", metavar="BATCH", help="This batch only.")
@click.option("--at", metavar="WHEN", help="At this time: 17:00, 'tomorrow 07:30'.")
@json_option
@click.pass_obj
def dry(context: Context, only: str | None, at: str | None) -> None:
    """Say of each tray that stands how much water it has left, what to pour now, and when it will be dry."""
    farm = context.farm()
    now = context.clock() if at is None else read_instant(at, now=context.clock(), zone=farm.zone, ahead=True)
    tick = tick_of(context, now)
    view = water_view(tick, only)
    if context.as_json:
        context.echo_json(dry_facts(view))
        return
    context.echo(f"{farm.name}, {say_time(now, farm.zone)}; the next round is {say_time(view.coming_at, farm.zone)}")
    if not view.rows:
        context.echo("Nothing stands.")
    if view.pours_ml:
        context.echo(carry_words(sum(view.pours_ml), farm))
    for known, due in view.rows:
        context.echo(_line(known, tick, due=due))
