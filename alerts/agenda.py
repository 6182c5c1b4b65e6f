"""What is to be done on the days to come: what is open now, and the moves after that on their usual days; pure.

Each has a name that it keeps when the ledger moves its day: batch, kind, and which time where a batch is handled in
parts. A calendar on a phone can follow it by that name.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime

from alerts import words
from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.rounds import first_round, next_round
from alerts.tasks import OF_PROMISES, Task, TaskKind, TrayGroup, Urgency
from alerts.warmth import heat_of
from monitor.batches import Batch, Part
from monitor.clock import local_day
from monitor.phases import Move, PhaseSpan, spans
from monitor.profiles import PhaseKind, Profile

_KINDS = {
    Move.UNCOVER: TaskKind.UNCOVER,
    Move.END_BLACKOUT: TaskKind.END_BLACKOUT,
    Move.HARVEST: TaskKind.HARVEST,
}
_ONCE = (TaskKind.DRAIN, TaskKind.UNCOVER, TaskKind.HARVEST, TaskKind.CLEAR)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """One thing to do, now or on a day to come.

    Attributes:
        name: What it is called for ever, however its day moves.
        kind: What is to be done.
        batch: Batch id; of what promises ask for, the promise's id.
        crop: Profile id.
        groups: The trays that it means, in walking order.
        at: The round (a soak: the hour) at which it is to be done; what is overdue stands at the next round.
        usual_on: Local day on which it is usually done.
        latest_on: Last local day on which it should be done.
        move: The whole move, in words.
        why: Why, one line; empty where it lies ahead.
        cautions: Cautions that belong to it.
        is_open: It is open now; else it follows when what comes before it is done.
    """

    name: str
    kind: TaskKind
    batch: str
    crop: str
    groups: tuple[TrayGroup, ...]
    at: datetime
    usual_on: date
    latest_on: date
    move: str
    why: str
    cautions: tuple[str, ...]
    is_open: bool

    @property
    def trays(self) -> int:
        """Return how many trays it means in all."""
        return sum(group.trays for group in self.groups)


def agenda(tick: Tick) -> tuple[Coming, ...]:
    """Return what is to be done from now on, by time: open tasks, and each standing part's moves after them."""
    found: dict[str, Coming] = {}
    for task in open_tasks(tick):
        coming = _of_task(task, tick)
        found.setdefault(coming.name, coming)
    for batch in tick.batches.values():
        profile = tick.profiles.get(batch.crop)
        if profile is not None:
            for coming in _ahead(batch, profile, tick):
                found.setdefault(coming.name, coming)
    return tuple(sorted(found.values(), key=lambda each: (each.at, each.name)))


def _of_task(task: Task, tick: Tick) -> Coming:
    """Return an open task, at the round at which it is to be done."""
    return Coming(
        name=_task_name(task, tick),
        kind=task.kind,
        batch=task.batch,
        crop=task.crop,
        groups=task.groups,
        at=_when(task, tick),
        usual_on=task.usual_on,
        latest_on=task.latest_on,
        move=task.move,
        why=task.why,
        cautions=task.cautions,
        is_open=True,
    )


def _when(task: Task, tick: Tick) -> datetime:
    """Return when an open task is to be done: as put off, as asked, or (overdue since yesterday) at the next round."""
    wanted = task.answered_not_yet_until or task.ask_at
    zone = tick.farm.zone
    if task.kind is TaskKind.DRAIN and task.urgency is Urgency.PAST:
        return max(wanted, tick.now)
    overdue = local_day(wanted, zone) < local_day(tick.now, zone)
    return next_round(tick.farm, tick.now) if overdue else wanted


def _task_name(task: Task, tick: Tick) -> str:
    """Return the lasting name of an open task."""
    if task.kind in OF_PROMISES:
        return _name(task.batch, task.kind, task.occurrence)
    if task.kind in _ONCE:
        return _name(task.batch, task.kind)
    if task.kind is TaskKind.END_BLACKOUT:
        batch = tick.batches[task.batch]
        place = _blackouts(batch, tick.profiles[batch.crop], tick).get(date.fromisoformat(task.occurrence), 0)
        return _name(task.batch, task.kind, str(place + 1))
    return _name(task.batch, task.kind, task.occurrence)


def _name(batch: str, kind: TaskKind, which: str = "") -> str:
    """Return a lasting name."""
    return "|".join(word for word in (batch, kind.value, which) if word)


def _blackouts(batch: Batch, profile: Profile, tick: Tick) -> dict[date, int]:
    """Return the days on which parts of a batch came (or will come) under their blackout covers, with their places."""
    days = {
        span.begins_on
        for part in batch.parts
        for span in _spans(batch, part, profile, tick)
        if span.kind is PhaseKind.BLACKOUT
    }
    return {day: place for place, day in enumerate(sorted(days))}


def _spans(batch: Batch, part: Part | None, profile: Profile, tick: Tick) -> tuple[PhaseSpan, ...]:
    """Return the phases of a part, their days moved by its warmth."""
    heat = heat_of(batch, part, profile, tick) if part is not None else None
    return spans(batch, part, profile, now=tick.now, zone=tick.farm.zone, heat=heat)


def _ahead(batch: Batch, profile: Profile, tick: Tick) -> Iterator[Coming]:
    """Yield the moves of a batch's standing parts that lie ahead, those of one time put together."""
    together: dict[tuple[TaskKind, date], list[tuple[Part | None, PhaseSpan]]] = defaultdict(list)
    parts: tuple[Part | None, ...] = batch.standing if batch.sown_at is not None else (None,)
    for part in parts:
        line = _spans(batch, part, profile, tick)
        begun = max((place for place, span in enumerate(line) if span.began_at is not None), default=0)
        for span in line[begun:]:
            kind = _KINDS.get(span.move) if span.move else None
            held = kind is TaskKind.HARVEST and bool(batch.holds)
            if kind is None or held or span.kind is PhaseKind.OVERGROWN or span.window is None:
                continue
            together[(kind, date.min if kind in _ONCE else span.begins_on)].append((part, span))
    blackouts = _blackouts(batch, profile, tick) if len(together) else {}
    for (kind, begins), found in together.items():
        which = "" if kind in _ONCE else str(blackouts.get(begins, 0) + 1)
        yield _move(batch, profile, kind, which, found, tick)


def _move(
    batch: Batch,
    profile: Profile,
    kind: TaskKind,
    which: str,
    found: list[tuple[Part | None, PhaseSpan]],
    tick: Tick,
) -> Coming:
    """Return a move that lies ahead; of several parts the first day counts."""
    windows = [span.window for _, span in found if span.window is not None]
    first = min(windows, key=lambda window: window.usual)
    usual_on = first.earliest if kind is TaskKind.HARVEST else first.usual
    groups = tuple(
        TrayGroup(trays=part.trays if part else batch.trays_planned or 0, spot=part.spot if part else None)
        for part, _ in found
    )
    said = _said(kind, profile, groups, tick)
    return Coming(
        name=_name(batch.id, kind, which),
        kind=kind,
        batch=batch.id,
        crop=batch.crop,
        groups=groups,
        at=first_round(tick.farm, usual_on),
        usual_on=usual_on,
        latest_on=first.latest,
        move=said.move,
        why="",
        cautions=said.cautions,
        is_open=False,
    )


def _said(kind: TaskKind, profile: Profile, groups: tuple[TrayGroup, ...], tick: Tick) -> words.Said:
    """Return the words of a move that lies ahead."""
    if kind is TaskKind.UNCOVER:
        return words.say_uncover(tick.farm, profile, groups)
    if kind is TaskKind.END_BLACKOUT:
        return words.say_end_blackout(tick.farm, profile, groups)
    return words.say_harvest(tick.farm, profile, groups, closing=False, over=False)
