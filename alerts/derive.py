"""Which tasks are open at a moment: derived afresh from ledger, profiles and time, never stored; pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from alerts import words
from alerts.findings import Tick
from alerts.pours import pour_due
from alerts.promised import promise_tasks
from alerts.rounds import first_round, next_round
from alerts.spoilt import spoilt_tasks
from alerts.tasks import Task, TaskKind, TrayGroup, Urgency
from alerts.warmth import moved_words, span_of
from monitor.amounts import say_day, say_time, say_trays
from monitor.batches import Batch, Part
from monitor.clock import day_number, local_day
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind
from monitor.phases import Move, PhaseSpan, Standing, drain_window
from monitor.profiles import Manner, PhaseKind, Profile

_ANSWERED_BY = {
    TaskKind.LOOK: (EntryKind.LOOKED, EntryKind.UNCOVERED),
    TaskKind.WATER: (EntryKind.WATERED,),
}
_POURED_IN = (PhaseKind.BLACKOUT, PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)
_CLEAR_WITHIN = timedelta(days=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    """One part for which something is due, before parts of one task are put together."""

    kind: TaskKind
    phase: PhaseKind
    occurrence: str
    earliest_on: date
    usual_on: date
    latest_on: date
    why: str
    group: TrayGroup
    ml_per_tray: float = 0.0
    is_guess: bool = True


def open_tasks(tick: Tick) -> tuple[Task, ...]:
    """Return all open tasks, those that may be done early among them, in walking order; then those of promises, by day.

    A batch whose crop has no profile gives none, and `traywarden check` names it; nor does one of a room in another
    process's care.
    """
    tasks: list[Task] = []
    for batch in tick.batches.values():
        profile = tick.profiles.get(batch.crop)
        if profile is None or batch.cleaned_at is not None or not tick.ward.has_batch(batch):
            continue
        tasks.extend(_tasks_of(batch, profile, tick))
    spoilt = spoilt_tasks(tick, _not_yet)
    tasks.extend(task for task in spoilt if tick.ward.has_batch(tick.batches[task.batch]))
    places = tick.farm.places
    tasks.sort(key=lambda task: (places.walking_order(task.groups[0].spot), _number(task.batch)))
    return (*tasks, *(promise_tasks(tick) if tick.ward.has(None) else ()))


def _number(batch: str) -> tuple[int, str]:
    """Return what sorts batch numbers as numbers."""
    return (int(batch) if batch.isdigit() else 0, batch)


def _tasks_of(batch: Batch, profile: Profile, tick: Tick) -> Iterator[Task]:
    """Yield the open tasks of one batch."""
    if batch.sown_at is None:
        yield from _drain(batch, profile, tick)
        return
    if batch.is_over:
        yield _clear(batch, tick)
        return
    together: dict[tuple[TaskKind, PhaseKind, str], list[_Due]] = defaultdict(list)
    for part in batch.standing:
        span = span_of(batch, part, profile, tick)
        for due in _due_for(batch, part, span, profile, tick):
            together[(due.kind, due.phase, due.occurrence)].append(due)
    for dues in together.values():
        yield _task(batch, profile, dues, tick)


def _drain(batch: Batch, profile: Profile, tick: Tick) -> Iterator[Task]:
    """Yield the task that ends a soak; it is asked at its hour, not at a round."""
    marks = drain_window(batch, profile)
    if marks is None or batch.drained_at is not None or batch.soaked_at is None:
        return
    zone = tick.farm.zone
    first, usual, last = marks
    said = words.say_drain(profile)
    yield Task(
        kind=TaskKind.DRAIN,
        batch=batch.id,
        crop=batch.crop,
        phase=PhaseKind.SOAK,
        occurrence="",
        groups=(TrayGroup(trays=batch.trays_planned or 0, spot=None),),
        earliest_on=local_day(first, zone),
        usual_on=local_day(usual, zone),
        latest_on=local_day(last, zone),
        ask_at=usual,
        urgency=Urgency.PAST if tick.now >= last else Urgency.DUE if tick.now >= usual else Urgency.EARLY,
        answered_not_yet_until=_not_yet(batch, TaskKind.DRAIN, local_day(batch.soaked_at, zone), tick),
        day=0,
        move=said.move,
        why=f"Soaking since {say_time(batch.soaked_at, zone)}; usually drained by {say_time(usual, zone)}, "
        f"never later than {say_time(last, zone)}.",
        cautions=said.cautions,
        answer=words.answer_of(TaskKind.DRAIN, batch.id),
    )


def _clear(batch: Batch, tick: Tick) -> Task:
    """Return the task of clearing and washing where a batch stood."""
    zone = tick.farm.zone
    ended_at = max(part.ended_at for part in batch.parts if part.ended_at is not None)
    spots = dict.fromkeys(part.spot for part in batch.parts)
    groups = tuple(
        TrayGroup(trays=sum(part.trays for part in batch.parts if part.spot == spot), spot=spot) for spot in spots
    )
    ended_on = local_day(ended_at, zone)
    said = words.say_clear(tick.farm, groups)
    return Task(
        kind=TaskKind.CLEAR,
        batch=batch.id,
        crop=batch.crop,
        phase=PhaseKind.HARVEST,
        occurrence="",
        groups=groups,
        earliest_on=ended_on,
        usual_on=ended_on,
        latest_on=ended_on + _CLEAR_WITHIN,
        ask_at=next_round(tick.farm, ended_at),
        urgency=_urgency(tick, ended_on, ended_on + _CLEAR_WITHIN),
        answered_not_yet_until=_not_yet(batch, TaskKind.CLEAR, ended_on, tick),
        day=_day(batch, tick),
        move=said.move,
        why=f"The last tray left on {say_day(ended_on)}.",
        cautions=said.cautions,
        answer=words.answer_of(TaskKind.CLEAR, batch.id),
    )


def _day(batch: Batch, tick: Tick) -> int:
    """Return the day number of a batch; a soak is day 0."""
    return 0 if batch.sown_at is None else day_number(tick.now, batch.sown_at, tick.farm.zone)


def _due_for(batch: Batch, part: Part, span: PhaseSpan, profile: Profile, tick: Tick) -> Iterator[_Due]:
    """Yield what is open for one part in its phase."""
    group = TrayGroup(trays=part.trays, spot=part.spot, stack=part.stack)
    if span.kind is PhaseKind.GERMINATION and span.manner is not Manner.OPEN:
        yield from _look(batch, group, span, profile, tick)
    kind = (
        {
            Move.UNCOVER: TaskKind.UNCOVER,
            Move.END_BLACKOUT: TaskKind.END_BLACKOUT,
            Move.HARVEST: TaskKind.HARVEST,
        }.get(span.move)
        if span.move
        else None
    )
    if kind is TaskKind.HARVEST and batch.holds:
        kind = None  # suppressed by design: what is on hold is not cut
    if kind is not None and span.window is not None:
        is_harvest = kind is TaskKind.HARVEST
        yield _Due(
            kind=kind,
            phase=PhaseKind.HARVEST if is_harvest else span.kind,
            occurrence="" if is_harvest else span.begins_on.isoformat(),
            earliest_on=span.window.earliest,
            usual_on=span.window.earliest if is_harvest else span.window.usual,
            latest_on=span.window.latest,
            why=_why_move(batch, span, tick) + moved_words(batch, part, profile, tick),
            group=group,
        )
    if span.kind in _POURED_IN:
        yield from _water(batch, part, group, span, profile, tick)


def _why_move(batch: Batch, span: PhaseSpan, tick: Tick) -> str:
    """Return why a move is due now, with the days of its window."""
    window = span.window
    if window is None or batch.sown_at is None:
        return ""
    presumed = (
        f" Taken as {_DONE_BEFORE.get(span.kind, 'moved on')} on {say_day(span.begins_on)}: nobody entered it."
        if span.standing is Standing.PRESUMED
        else ""
    )
    sown = say_day(local_day(batch.sown_at, tick.farm.zone))
    days = f"usually {say_day(window.usual)}, at the latest {say_day(window.latest)}"
    return f"Sown {sown}; {days}.{presumed}"


_DONE_BEFORE = {
    PhaseKind.BLACKOUT: "uncovered",
    PhaseKind.LIGHT: "brought into the light",
    PhaseKind.HARVEST: "brought into the light",
    PhaseKind.OVERGROWN: "brought into the light",
}


def _look(batch: Batch, group: TrayGroup, span: PhaseSpan, profile: Profile, tick: Tick) -> Iterator[_Due]:
    """Yield today's look into a stack, where one may be lifted: never a sticky one before its earliest day."""
    window = span.window
    if window is None:
        return
    today = local_day(tick.now, tick.farm.zone)
    half = span.begins_on + timedelta(days=(window.usual - span.begins_on).days // 2 + 1)
    first = window.earliest if profile.sticky else min(half, window.usual)
    if not first <= today < window.usual or _answered_on(batch, TaskKind.LOOK, today, tick):
        return
    yield _Due(
        kind=TaskKind.LOOK,
        phase=span.kind,
        occurrence=today.isoformat(),
        earliest_on=today,
        usual_on=today,
        latest_on=today,
        why=f"To come out usually on {say_day(window.usual)}; a look shows mould or dry edges in time.",
        group=group,
    )


def _answered_on(batch: Batch, kind: TaskKind, day: date, tick: Tick) -> bool:
    """Tell whether an entry of the batch answers a daily task on a local day."""
    kinds = _ANSWERED_BY[kind]
    return any(entry.kind in kinds and local_day(entry.at, tick.farm.zone) == day for entry in batch.entries)


def _water(batch: Batch, part: Part, group: TrayGroup, span: PhaseSpan, profile: Profile, tick: Tick) -> Iterator[_Due]:
    """Yield the next pour of a part that stands open."""
    pour = pour_due(batch, part, span, profile, tick)
    if pour is not None and not (pour.is_guess and _is_cut_today(batch, span, tick)):
        yield _Due(
            kind=TaskKind.WATER,
            phase=span.kind,
            occurrence=pour.occurrence,
            earliest_on=pour.usual_on,
            usual_on=pour.usual_on,
            latest_on=pour.latest_on,
            why=pour.why,
            group=group,
            ml_per_tray=pour.ml_per_tray,
            is_guess=pour.is_guess,
        )


def _is_cut_today(batch: Batch, span: PhaseSpan, tick: Tick) -> bool:
    """Tell whether today is the last good day to cut, so that no water is asked for by the profile's days."""
    is_last = span.window is not None and span.window.latest == local_day(tick.now, tick.farm.zone)
    return span.kind is PhaseKind.HARVEST and is_last and not batch.holds


def _said(kind: TaskKind, profile: Profile, due: _Due, groups: tuple[TrayGroup, ...], tick: Tick) -> words.Said:
    """Return the words of a task of one kind."""
    farm = tick.farm
    today = local_day(tick.now, farm.zone)
    if kind is TaskKind.LOOK:
        return words.say_look(profile, groups)
    if kind is TaskKind.UNCOVER:
        return words.say_uncover(farm, profile, groups)
    if kind is TaskKind.END_BLACKOUT:
        return words.say_end_blackout(farm, profile, groups)
    if kind is TaskKind.WATER:
        is_ripe = due.phase is PhaseKind.HARVEST
        return words.say_water(farm, due.ml_per_tray, groups, is_guess=due.is_guess, is_ripe=is_ripe)
    closing = today == due.latest_on
    return words.say_harvest(farm, profile, groups, closing=closing, over=today > due.latest_on)


def _grouped(dues: Iterable[_Due], farm: Farm) -> tuple[TrayGroup, ...]:
    """Return the trays of several parts by place and pile, in walking order."""
    found: dict[tuple[str | None, str | None], int] = defaultdict(int)
    for due in dues:
        found[(due.group.spot, due.group.stack)] += due.group.trays
    groups = [TrayGroup(trays=trays, spot=spot, stack=stack) for (spot, stack), trays in found.items()]
    return tuple(sorted(groups, key=lambda group: (farm.places.walking_order(group.spot), group.stack or "")))


def _task(batch: Batch, profile: Profile, dues: list[_Due], tick: Tick) -> Task:
    """Return the one task that several parts share."""
    first = dues[0]
    groups = _grouped(dues, tick.farm)
    said = _said(first.kind, profile, first, groups, tick)
    return Task(
        kind=first.kind,
        batch=batch.id,
        crop=batch.crop,
        phase=first.phase,
        occurrence=first.occurrence,
        groups=groups,
        earliest_on=first.earliest_on,
        usual_on=first.usual_on,
        latest_on=first.latest_on,
        ask_at=first_round(tick.farm, first.usual_on),
        urgency=_urgency(tick, first.usual_on, first.latest_on),
        answered_not_yet_until=_not_yet(batch, first.kind, first.earliest_on, tick),
        day=_day(batch, tick),
        move=said.move,
        why=first.why,
        cautions=said.cautions,
        answer=words.answer_of(first.kind, batch.id),
        water_ml=sum(due.ml_per_tray * due.group.trays for due in dues),
    )


def _urgency(tick: Tick, usual_on: date, latest_on: date) -> Urgency:
    """Return where in its window a task stands today."""
    today = local_day(tick.now, tick.farm.zone)
    if today > latest_on:
        return Urgency.PAST
    if today < usual_on:
        return Urgency.EARLY
    return Urgency.LAST_DAY if today == latest_on else Urgency.DUE


def not_yet_entry(batch: Batch, kind: TaskKind, since: date, tick: Tick) -> Entry | None:
    """Return the newest "not yet" that answers a task of this kind, given since its window opened; or None."""
    for entry in reversed(batch.entries):
        said = str(entry.data.get("task", ""))
        if entry.kind is EntryKind.NOT_YET and said.split()[:1] == kind.value.split()[:1]:
            return entry if local_day(entry.at, tick.farm.zone) >= since else None
    return None


def _not_yet(batch: Batch, kind: TaskKind, since: date, tick: Tick) -> datetime | None:
    """Return until when a person put a task off: the next round, or the first round of the day that they named."""
    entry = not_yet_entry(batch, kind, since, tick)
    if entry is None:
        return None
    until = entry.data.get("until")
    if until:
        return first_round(tick.farm, date.fromisoformat(str(until)))
    return next_round(tick.farm, entry.at)


def say_count(task: Task) -> str:
    """Return how many trays a task means, in words; a soak whose trays nobody said means seed."""
    return say_trays(task.trays) if task.trays else "the seed"
