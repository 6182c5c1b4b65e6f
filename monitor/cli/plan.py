"""``traywarden plan``: all promises laid out backwards into sowing days, with seed, medium, trays and shelf places."""

from __future__ import annotations

from datetime import timedelta
from itertools import groupby

import click

from alerts.findings import Tick
from alerts.planning import LaidOut, laid_out, plan_json, seed_of_lots, unmet_words
from alerts.planwords import room_lines, sowing_lines, totals_lines
from monitor.amounts import read_g, say_day, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.errors import RefusedError
from monitor.profilefile import find_profile

PHASES = ("soak", "germination", "blackout", "light", "harvest window")
_HEADS = ("soak", "germ", "dark", "lit", "ready")


def _seed_left(context: Context, said: tuple[str, ...]) -> dict[str, float]:
    """Return the seed that a person says is left, by crop."""
    found: dict[str, float] = {}
    for each in said:
        crop, sign, amount = each.partition("=")
        if not sign:
            raise RefusedError(f"{each!r} is no seed: give crop and weight, e.g. --seed 'radish=1.2 kg'")
        found[find_profile(context.profiles(), crop).id] = read_g(amount, context.farm().units)
    return found


@click.command(epilog="Example: traywarden plan --weeks 2 --seed 'radish=1.2 kg'")
@click.option("--weeks", type=click.IntRange(1, 12), default=4, show_default=True, help="How far ahead.")
@click.option(
    "--seed", multiple=True, metavar="CROP=WEIGHT", help="Seed that is left of a crop, where no `traywarden lot` tells."
)
@click.option("--days", "by_day", is_flag=True, help="Also what each day needs: trays by phase, places.")
@json_option
@click.pass_obj
def plan(context: Context, weeks: int, seed: tuple[str, ...], by_day: bool) -> None:
    """Lay out what to sow on which day for all that is promised, and say what cannot be met and why.

    Nothing is entered: it is worked out afresh each time, from what stands, what is promised, and what your shelves
    hold. It meets as many trays as it can, and then keeps near to the usual days.
    """
    tick = tick_of(context, context.clock())
    today = local_day(tick.now, tick.farm.zone)
    until = today + timedelta(days=7 * weeks)
    left = {**seed_of_lots(tick), **_seed_left(context, seed)}
    found = laid_out(tick, until, left)
    if context.as_json:
        context.echo_json(plan_json(found, tick))
        return
    _tell(context, found, tick, by_day=by_day)


def _tell(context: Context, plan: LaidOut, tick: Tick, *, by_day: bool) -> None:
    """Say it in words."""
    made = plan.made
    promised = sum(each.owed.open for each in plan.covers)
    kept = sum(each.kept for each in plan.covers)
    unmet = sum(each.trays for each in made.unmet)
    context.echo(f"Plan for {tick.farm.name}, {say_day(made.room.first)} to {say_day(plan.until)}")
    if not promised:
        context.echo("Nothing is promised in that time. traywarden promise TRAYS CROP --for DAY --whom NAME")
    else:
        context.echo(
            f"Promised: {say_trays(promised)}; {kept} stand or are sown for it, {made.met} to be sown, "
            + (f"{unmet} cannot be met." if unmet else "all can be met.")
        )
    if made.unmet:
        context.echo("\nCannot be met: ring the buyer, or make room")
        for each in made.unmet:
            context.echo(f" * {unmet_words(each, tick)}")
    for day, group in groupby(made.sown, key=lambda each: each.on):
        context.echo(f"\n{say_day(day)}")
        for crop, lines in groupby(group, key=lambda each: each.want.crop):
            for line in sowing_lines(day, crop, list(lines), made, plan.stands, plan.lots, tick):
                context.echo(line)
    if made.sown:
        context.echo("\nFor all of it")
        for line in totals_lines(made, plan.lots, tick):
            context.echo(f"   {line}")
    context.echo("")
    for line in room_lines(made, plan.needs):
        context.echo(line)
    if by_day:
        context.echo("\n" + f"{'trays by day':<12}" + "".join(f"{head:>6}" for head in _HEADS) + "   places taken")
        for need in plan.needs:
            of = "" if made.room.places is None else f" of {made.room.places}"
            counts = "".join(f"{need.trays.get(phase, 0) or '-':>6}" for phase in PHASES)
            context.echo(f"{say_day(need.on):<12}{counts}   {need.places}{of}")
