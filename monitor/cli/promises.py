"""``traywarden promises``: what is promised to whom, and what stands for it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import click

from alerts.findings import Tick
from alerts.promised import covers_at
from monitor.ahead import Cover
from monitor.amounts import say_day, say_trays
from monitor.cli.coming import cover_json, cover_state, every_words, terms_words
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
    shown = [each for each in tick.promises.values() if everything or _is_ahead(each, today)]
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.promises/1",
                "until": until.isoformat(),
                "promises": [_promise_json(each, today) for each in shown],
                "days": [cover_json(each, tick) for each in covers],
            }
        )
        return
    if not shown:
        context.echo("Nothing is promised. Begin with: traywarden promise TRAYS CROP --for DAY --whom NAME")
    for each in shown:
        over = "" if _is_ahead(each, today) else "  (over)"
        context.echo(f"{each.id:>4}  {terms_words(each.terms_on(today), tick.profiles)}{_end_words(each)}{over}")
        for late in each.terms:
            if late.from_on > today:
                context.echo(f"      from {say_day(late.from_on)} on: {terms_words(late, tick.profiles)}")
        for found in covers:
            if found.owed.promise == each.id:
                context.echo(f"      {_cover_line(found, tick)}")


def _is_ahead(each: Promise, today: date) -> bool:
    """Tell whether a promise asks for anything from today on."""
    return next(iter(each.days(today, today + timedelta(days=800))), None) is not None


def _end_words(each: Promise) -> str:
    return f"; over from {say_day(each.ends_on)} on" if each.ends_on else ""


def _cover_line(each: Cover, tick: Tick) -> str:
    """Return one day of a promise in a line."""
    differs = each.owed.trays != tick.promises[each.owed.promise].terms_on(each.owed.on).trays
    count = f", {say_trays(each.owed.trays)} that day" if differs else ""
    return f"{say_day(each.owed.on)}{count}: {cover_state(each, tick)[1]}"


def _promise_json(each: Promise, today: date) -> dict[str, Any]:
    """Return a promise as the documented JSON."""
    terms = each.terms_on(today)
    return {
        "id": each.id,
        "crop": terms.crop,
        "trays": terms.trays,
        "whom": terms.whom,
        "living": terms.living,
        "for": terms.for_on.isoformat(),
        "every_days": terms.every_days,
        "says": every_words(terms),
        "ends_on": each.ends_on.isoformat() if each.ends_on else None,
        "entries": [entry.id for entry in each.entries],
    }
