"""``traywarden rounds``: what is to be done now, or at a given time, in walking order; computed, nothing is sent."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import click

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.holding import held_batches, hold_lines
from alerts.nudges import care_lines, carry_words, heading, task_lines
from alerts.promised import told_instead
from alerts.rounds import next_round
from alerts.tasks import OF_PROMISES, Task, TaskKind, Urgency
from monitor.amounts import say_day, say_time
from monitor.cli.common import Context, json_option
from monitor.clock import local_day
from monitor.fold import fold_as_of
from monitor.holds import Hold
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


def is_due(task: Task, now: datetime) -> bool:
    """Tell whether a task is to be done at this moment: its time has come, and nobody put it off."""
    return task.is_due(now)


def hold_json(hold: Hold) -> dict[str, Any]:
    """Return a hold as the documented JSON."""
    return {
        "entry": hold.id,
        "lot": hold.lot,
        "batch": hold.batch,
        "why": hold.why,
        "by": hold.by,
        "at": hold.at.isoformat(),
        "ended_at": hold.ended_at.isoformat() if hold.ended_at else None,
        "ended_by": hold.ended_by or None,
        "ended_why": hold.ended_why or None,
    }


def task_json(task: Task, tick: Tick) -> dict[str, Any]:
    """Return a task as the documented JSON."""
    return {
        "key": task.key,
        "kind": task.kind.value,
        "batch": task.batch,
        "crop": task.crop,
        "day": task.day,
        "trays": task.trays,
        "where": [
            {"trays": group.trays, "spot": group.spot, "stack": group.stack, "name": tick.farm.places.name(group.spot)}
            for group in task.groups
        ],
        "earliest_on": task.earliest_on.isoformat(),
        "usual_on": task.usual_on.isoformat(),
        "latest_on": task.latest_on.isoformat(),
        "ask_at": task.ask_at.isoformat(),
        "standing": task.urgency.value,
        "not_yet_until": task.answered_not_yet_until.isoformat() if task.answered_not_yet_until else None,
        "move": task.move,
        "why": task.why,
        "cautions": list(task.cautions),
        "answer": task.answer,
        "water_ml": round(task.water_ml),
    }


@click.command(epilog="Example: traywarden rounds --at 'tomorrow 07:30'")
@click.option("--at", metavar="WHEN", help="At this time: 17:00, 'tomorrow 07:30', 'fri 7:30'.")
@json_option
@click.pass_obj
def rounds(context: Context, at: str | None) -> None:
    """Say what is to be done now, what may be done early, and what comes at the next round and tomorrow."""
    farm = context.farm()
    now = context.clock() if at is None else read_instant(at, now=context.clock(), zone=farm.zone, ahead=True)
    tick = tick_of(context, now)
    tasks = open_tasks(tick)
    due = [task for task in tasks if is_due(task, now)]
    early = [task for task in tasks if task not in due and task.earliest_on <= local_day(now, farm.zone)]
    coming_at = next_round(farm, now)
    known = {task.key for task in due} | {told_instead(task) for task in tasks if task.kind is TaskKind.SOW}
    later = tick_of(context, coming_at)
    coming = [task for task in open_tasks(later) if is_due(task, coming_at) and task.key not in known]
    tomorrow = _tomorrow(context, now, known | {task.key for task in coming})
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.rounds/1",
                "at": now.isoformat(),
                "next_round_at": coming_at.isoformat(),
                "on_hold": [
                    {"batch": batch.id, "crop": batch.crop, "holds": [hold_json(hold) for hold in batch.holds]}
                    for batch in held_batches(tick)
                ],
                "due": [task_json(task, tick) for task in due],
                "may_be_done": [task_json(task, tick) for task in early],
                "next_round": [task_json(task, later) for task in coming],
                "tomorrow": [task_json(task, later) for task in tomorrow],
            }
        )
        return
    _tell(context, tick, due, early, coming, coming_at, tomorrow)


def _tomorrow(context: Context, now: datetime, known: set[str]) -> list[Task]:
    """Return what falls due tomorrow and is not said already."""
    farm = context.farm()
    day = local_day(now, farm.zone) + timedelta(days=1)
    end = next_round(farm, now)
    while local_day(end, farm.zone) <= day:
        last, end = end, next_round(farm, end)
    if local_day(last, farm.zone) != day:
        return []
    return [task for task in open_tasks(tick_of(context, last)) if is_due(task, last) and task.key not in known]


def _tell(
    context: Context,
    tick: Tick,
    due: list[Task],
    early: list[Task],
    coming: list[Task],
    coming_at: datetime,
    tomorrow: list[Task],
) -> None:
    """Say it in words."""
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
        ("May be done already", early),
        (f"At the next round, {say_time(coming_at, farm.zone)}", coming),
        ("Tomorrow", tomorrow),
    ):
        if listed:
            context.echo(f"\n{head}")
        for task in listed:
            crop = tick.profiles[task.crop].name.lower()
            what = "promise" if task.kind in OF_PROMISES else "batch"
            context.echo(f"   {what} {task.batch} {crop}: {task.kind.value}, usually {say_day(task.usual_on)}")
