"""``traywarden rounds``: what is to be done now, or at a given time, in walking order; computed, nothing is sent."""

from __future__ import annotations

from datetime import datetime

import click

from alerts.findings import Tick
from alerts.holding import hold_lines
from alerts.nudges import care_lines, carry_words, heading, task_lines
from alerts.tasks import OF_PROMISES, Urgency
from dashboards.facts.rounds import RoundView, round_view, rounds_facts
from monitor.amounts import say_day, say_time
from monitor.cli.common import Context, json_option
from monitor.fold import fold_as_of
from monitor.ledger import effective
from monitor.live import LiveBuffer
from monitor.promises import promises_as_of
from monitor.timewords import read_instant


def tick_of(context: Context, now: datetime) -> Tick:
    """Return the moment as the ledger and the farm's scales have it."""
    farm = context.farm()
    entries = context.ledger().entries()
    return Tick(
        now=now,
        farm=farm,
        profiles=context.profiles(),
        batches=fold_as_of(entries, now),
        entries=tuple(entry for entry in effective(entries) if entry.at <= now),
        live=LiveBuffer(),
        watching_since=now,
        scales=context.scales(),
        promises=promises_as_of(entries, now),
    )


@click.command(epilog="Example: traywarden rounds --at 'tomorrow 07:30'")
@click.option("--at", metavar="WHEN", help="At this time: 17:00, 'tomorrow 07:30', 'fri 7:30'.")
@json_option
@click.pass_obj
def rounds(context: Context, at: str | None) -> None:
    """Say what is to be done now, what may be done early, and what comes at the next round and tomorrow."""
    farm = context.farm()
    now = context.clock() if at is None else read_instant(at, now=context.clock(), zone=farm.zone, ahead=True)
    view = round_view(lambda at: tick_of(context, at), now)
    if context.as_json:
        context.echo_json(rounds_facts(view))
        return
    _tell(context, view)


def _tell(context: Context, view: RoundView) -> None:
    """Say it in words."""
    tick, due, coming_at = view.tick, view.due, view.coming_at
    farm = tick.farm
    for line in hold_lines(tick):
        context.echo(line)
    context.echo(f"{farm.name}, {say_time(tick.now, farm.zone)}")
    if not due:
        context.echo(f"Nothing to do until {say_time(coming_at, farm.zone)}.")
    water = sum(task.water_ml for task in due)
    if water:
        context.echo(carry_words(water, farm))
    place = None
    for task in due:
        here = heading(task, farm)
        if here != place:
            context.echo(f"\n{here}")
            place = here
        past = f" PAST ITS LATEST DAY ({say_day(task.latest_on)})." if task.urgency is Urgency.PAST else ""
        for line in task_lines(task, tick, past):
            context.echo(line)
    for line in care_lines(due):
        context.echo(line)
    for head, listed in (
        ("May be done already", view.early),
        (f"At the next round, {say_time(coming_at, farm.zone)}", view.coming),
        ("Tomorrow", view.tomorrow),
    ):
        if listed:
            context.echo(f"\n{head}")
        for task in listed:
            crop = tick.profiles[task.crop].name.lower()
            what = "promise" if task.kind in OF_PROMISES else "batch"
            context.echo(f"   {what} {task.batch} {crop}: {task.kind.value}, usually {say_day(task.usual_on)}")
