"""``traywarden promises``: what is promised to whom, and what stands for it."""

from __future__ import annotations

from datetime import timedelta

import click

from alerts.coming import cover_state, terms_words
from alerts.findings import Tick
from alerts.promised import covers_at
from dashboards.facts.coming import is_ahead, promises_facts
from monitor.ahead import Cover
from monitor.amounts import say_day, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.promises import Promise


@click.command(epilog="Example: traywarden promises --weeks 4")
@click.option("--weeks", type=click.IntRange(1, 52), default=2, show_default=True, help="How far ahead.")
@click.option("--all", "everything", is_flag=True, help="Also those that are past or over.")
@json_option
@click.pass_obj
def promises(context: Context, weeks: int, everything: bool) -> None:
    """List what is promised to whom, and what stands for it.

    A delivery counts for a promise when it goes to the same name, of the same crop, on the promised day.
    """
    tick = tick_of(context, context.clock())
    today = local_day(tick.now, tick.farm.zone)
    until = today + timedelta(days=7 * weeks)
    covers = covers_at(tick, until)
    shown = [each for each in tick.promises.values() if everything or is_ahead(each, today)]
    if context.as_json:
        context.echo_json(promises_facts(shown, covers, until, tick))
        return
    if not shown:
        context.echo("Nothing is promised. Begin with: traywarden promise TRAYS CROP --for DAY --whom NAME")
    for each in shown:
        over = "" if is_ahead(each, today) else "  (over)"
        context.echo(f"{each.id:>4}  {terms_words(each.terms_on(today), tick.profiles)}{_end_words(each)}{over}")
        for late in each.terms:
            if late.from_on > today:
                context.echo(f"      from {say_day(late.from_on)} on: {terms_words(late, tick.profiles)}")
        for found in covers:
            if found.owed.promise == each.id:
                context.echo(f"      {_cover_line(found, tick)}")


def _end_words(each: Promise) -> str:
    return f"; over from {say_day(each.ends_on)} on" if each.ends_on else ""


def _cover_line(each: Cover, tick: Tick) -> str:
    """Return one day of a promise in a line."""
    differs = each.owed.trays != tick.promises[each.owed.promise].terms_on(each.owed.on).trays
    count = f", {say_trays(each.owed.trays)} that day" if differs else ""
    return f"{say_day(each.owed.on)}{count}: {cover_state(each, tick)[1]}"
