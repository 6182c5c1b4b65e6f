"""``traywarden dry``: what is dry, how much to pour, and when the rest will be; computed, nothing is sent."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import click

from alerts.findings import Tick
from alerts.nudges import carry_words
from alerts.pours import dry_words
from alerts.rounds import next_round
from alerts.standing import standing_parts
from alerts.watering import KNOWN_WORDS, PartWater, water_of
from monitor.amounts import say_ml, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.pouring import is_due
from monitor.timewords import read_instant

COVERED = "under its cover: not asked for, and not to be lifted for it"


def water_json(known: PartWater, tick: Tick, *, due: bool) -> dict[str, Any]:
    """Return the water of one part as the documented JSON."""
    water, scale = known.water, known.scale
    facts: dict[str, Any] = {
        "batch": known.batch.id,
        "crop": known.batch.crop,
        "spot": known.part.spot,
        "trays": known.part.trays,
        "phase": known.span.kind.value,
        "covered": known.covered,
        "known_by": water.known.value if water else None,
        "scale": scale.sensor.id if scale else None,
        "doubt": scale.doubt if scale else None,
        "due": due,
        "poured_at": known.poured_at.isoformat() if known.poured_at else None,
        "stands_in_water_since": known.stands_since.isoformat() if known.stands_since else None,
    }
    if water is not None:
        facts |= {
            "left": round(water.left, 3),
            "left_80": [round(water.left_low, 3), round(water.left_high, 3)],
            "deficit_g": round(water.deficit_g),
            "pour_ml": round(water.pour_g),
            "plants_g": round(water.plants_g),
            "hours_to_refill": round(water.refill_h, 1),
            "hours_to_refill_80": [round(water.refill_h_low, 1), round(water.refill_h_high, 1)],
            "hours_to_limp": round(water.dry_h, 1),
            "hours_to_limp_80": [round(water.dry_h_low, 1), round(water.dry_h_high, 1)],
            "lit_g_per_h": round(water.rate.lit_g_h, 2),
            "dark_g_per_h": round(water.rate.dark_g_h, 2),
        }
    return facts


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
    coming = next_round(farm, now)
    hours = (coming - now) / timedelta(hours=1)
    found = [
        water_of(stand.batch, part, stand.span, stand.profile, tick)
        for stand, part in standing_parts(tick)
        if only is None or stand.batch.id == only
    ]
    found.sort(key=lambda known: farm.places.walking_order(known.part.spot))
    rows = [(known, known.water is not None and is_due(known.water, hours)) for known in found]
    pours = [known.water.pour_g * known.part.trays for known, due in rows if due and known.water]
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.dry/1",
                "at": now.isoformat(),
                "next_round_at": coming.isoformat(),
                "pour_ml_in_all": round(sum(pours)),
                "trays": [water_json(known, tick, due=due) for known, due in rows],
            }
        )
        return
    context.echo(f"{farm.name}, {say_time(now, farm.zone)}; the next round is {say_time(coming, farm.zone)}")
    if not found:
        context.echo("Nothing stands.")
    if pours:
        context.echo(carry_words(sum(pours), farm))
    for known, due in rows:
        context.echo(_line(known, tick, due=due))
