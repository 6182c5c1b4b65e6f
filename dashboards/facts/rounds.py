"""What is to be done now, next and tomorrow: worked out for a moment, and as the documented JSON."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.holding import held_batches
from alerts.promised import told_instead
from alerts.rounds import next_round
from alerts.tasks import Task, TaskKind, is_due
from dashboards.facts.holds import hold_json
from monitor.clock import local_day

TickAt = Callable[[datetime], Tick]
TasksOf = Callable[[Tick], tuple[Task, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundView:
    """What a walk round the racks asks for at a moment.

    Attributes:
        tick: The moment.
        later: The next round's moment.
        due: What is to be done now, in walking order.
        early: What may be done already.
        coming_at: When the next round is.
        coming: What comes at the next round.
        tomorrow: What falls due tomorrow, and is not said already.
    """

    tick: Tick
    later: Tick
    due: tuple[Task, ...]
    early: tuple[Task, ...]
    coming_at: datetime
    coming: tuple[Task, ...]
    tomorrow: tuple[Task, ...]


def round_view(tick_at: TickAt, now: datetime, tasks_of: TasksOf = open_tasks) -> RoundView:
    """Return what is asked for at a moment, at the next round and tomorrow.

    Args:
        tick_at: Returns the moment at an instant.
        now: The instant.
        tasks_of: Returns what is open at a moment; another than open_tasks where it was worked out before.
    """
    tick = tick_at(now)
    farm = tick.farm
    tasks = tasks_of(tick)
    due = tuple(task for task in tasks if is_due(task, now))
    early = tuple(task for task in tasks if task not in due and task.earliest_on <= local_day(now, farm.zone))
    coming_at = next_round(farm, now)
    known = {task.key for task in due} | {told_instead(task) for task in tasks if task.kind is TaskKind.SOW}
    later = tick_at(coming_at)
    coming = tuple(task for task in tasks_of(later) if is_due(task, coming_at) and task.key not in known)
    tomorrow = _tomorrow(tick_at, tasks_of, tick, known | {task.key for task in coming})
    return RoundView(
        tick=tick, later=later, due=due, early=early, coming_at=coming_at, coming=coming, tomorrow=tomorrow
    )


def _tomorrow(tick_at: TickAt, tasks_of: TasksOf, tick: Tick, known: set[str]) -> tuple[Task, ...]:
    """Return what falls due tomorrow and is not said already."""
    farm = tick.farm
    day = local_day(tick.now, farm.zone) + timedelta(days=1)
    end = next_round(farm, tick.now)
    while local_day(end, farm.zone) <= day:
        last, end = end, next_round(farm, end)
    if local_day(last, farm.zone) != day:
        return ()
    return tuple(task for task in tasks_of(tick_at(last)) if is_due(task, last) and task.key not in known)


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


def rounds_facts(view: RoundView) -> dict[str, Any]:
    """Return a walk as the documented JSON."""
    return {
        "schema": "traywarden.rounds/1",
        "at": view.tick.now.isoformat(),
        "next_round_at": view.coming_at.isoformat(),
        "on_hold": [
            {"batch": batch.id, "crop": batch.crop, "holds": [hold_json(hold) for hold in batch.holds]}
            for batch in held_batches(view.tick)
        ],
        "due": [task_json(task, view.tick) for task in view.due],
        "may_be_done": [task_json(task, view.tick) for task in view.early],
        "next_round": [task_json(task, view.later) for task in view.coming],
        "tomorrow": [task_json(task, view.later) for task in view.tomorrow],
    }
