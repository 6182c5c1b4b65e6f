"""The lines of a round: one a tray group on one shelf, in walking order, each with what, how much, why, until when."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby

from alerts.derive import say_count
from alerts.findings import Tick
from alerts.nudges import DOING
from alerts.roundanswers import BY_BATCH
from alerts.spoilt import shelf_of
from alerts.tasks import OF_PROMISES, Task, TaskKind, TrayGroup, Urgency
from monitor.amounts import say_day, say_list, say_ml, say_trays
from monitor.clock import local_day

AT = "@"
_HAS_LAST_DAY = (TaskKind.UNCOVER, TaskKind.END_BLACKOUT, TaskKind.HARVEST, TaskKind.SOW)
_UNCOUNTED = (TaskKind.WASH,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What one line asks: a task, or the part of it that stands on one shelf.

    Attributes:
        key: The task's key, and the shelf where the task stands on several.
        task: The task, cut down to the trays of this line.
        shelf: Id of the shelf or place; empty: none is known.
        is_part: The task has trays elsewhere too.
    """

    key: str
    task: Task
    shelf: str
    is_part: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the round.

    Attributes:
        key: What a tap on it answers.
        what: What to do, e.g. ``Uncover``.
        batch: Id of the batch, or of the promise.
        crop: What grows there.
        count: How many trays, in words; may be empty.
        amount: How much, in words; may be empty.
        day: The batch's day in words; may be empty.
        where: Where else its trays stand, or in which pile; may be empty.
        until: Until when.
        mark: What is special about it (last day, past it, asked again); empty: nothing.
        is_late: It is past its latest day.
        why: Why now.
        move: The whole move.
        cautions: What to take care of.
        opens: Address of the page that the line opens.
        elsewhere: It is answered on that page and not by a tap: the words of the link; empty: by a tap.
        asks_grams: How much was cut is asked for.
        may_lift: A tray may be lifted and its feel told.
        trays: How many trays it means; a part of them may be answered where it is over 1.
        command: The command that says the same.
    """

    key: str
    what: str
    batch: str
    crop: str
    count: str
    amount: str
    day: str
    where: str
    until: str
    mark: str
    is_late: bool
    why: str
    move: str
    cautions: tuple[str, ...]
    opens: str
    elsewhere: str
    asks_grams: bool
    may_lift: bool
    trays: int
    command: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One place on the way, with its lines.

    Attributes:
        shelf: Id of the place; empty: what stands nowhere.
        name: What it is called.
        lines: What to do there.
        may_all: All of it can be answered at once.
    """

    shelf: str
    name: str
    lines: tuple[Line, ...]
    may_all: bool


def asks_of(task: Task, tick: Tick) -> Iterator[Ask]:
    """Yield what a task asks, shelf by shelf; a task that is answered for its whole batch is one line."""
    places = tick.farm.places
    if task.kind in BY_BATCH or task.kind in OF_PROMISES:
        first = task.groups[0].spot
        yield Ask(key=task.key, task=task, shelf=shelf_of(first, places) if first else "", is_part=False)
        return
    by_shelf: dict[str, list[TrayGroup]] = {}
    for group in task.groups:
        by_shelf.setdefault(shelf_of(group.spot, places) if group.spot else "", []).append(group)
    for shelf, groups in by_shelf.items():
        part = cut_down(task, tuple(groups))
        key = task.key if len(by_shelf) == 1 else f"{task.key}{AT}{shelf}"
        yield Ask(key=key, task=part, shelf=shelf, is_part=len(by_shelf) > 1)


def cut_down(task: Task, groups: tuple[TrayGroup, ...]) -> Task:
    """Return a task that means only some of its trays, with their share of the water."""
    trays = sum(group.trays for group in groups)
    share = trays / task.trays if task.trays else 1.0
    return replace(task, groups=groups, water_ml=task.water_ml * share)


def asks(tasks: Iterable[Task], tick: Tick) -> tuple[Ask, ...]:
    """Return what several tasks ask, in walking order; what is promised comes last."""
    found = [ask for task in tasks for ask in asks_of(task, tick)]
    places = tick.farm.places
    return tuple(sorted(found, key=lambda ask: (ask.task.kind in OF_PROMISES, places.walking_order(ask.shelf or None))))


def find(key: str, tasks: Iterable[Task], tick: Tick) -> Ask | None:
    """Return what a line asks, or None where it is not asked (any more).

    A line whose other trays were answered meanwhile has no shelf in its key any more, and is found all the same.
    """
    task_key, _, shelf = key.partition(AT)
    for task in tasks:
        if task.key != task_key:
            continue
        found = list(asks_of(task, tick))
        for ask in found:
            if ask.key == key or (shelf and ask.shelf == shelf):
                return ask
        if not shelf:  # it was one line, and trays of it have been moved apart since: all of them are meant
            return Ask(key=key, task=task, shelf="", is_part=False)
    return None


def line_of(ask: Ask, tick: Tick) -> Line:
    """Return a line in words."""
    task, farm = ask.task, tick.farm
    profile = tick.profiles.get(task.crop)
    is_promise = task.kind in OF_PROMISES
    late = task.urgency is Urgency.PAST
    water = task.water_ml
    each = water / task.trays if task.trays else water
    amount = ""
    if water:
        amount = f"{say_ml(each, farm.units)} each" if task.trays > 1 else say_ml(water, farm.units)
        amount += f", {say_ml(water, farm.units)} in all" if task.trays > 1 else ""
    return Line(
        key=ask.key,
        what=DOING[task.kind].capitalize(),
        batch=task.batch,
        crop=profile.name.lower() if profile else task.crop,
        count="" if task.kind in _UNCOUNTED else say_count(task),
        amount=amount,
        day="" if is_promise or task.kind is TaskKind.DRAIN else f"day {task.day}",
        where=_where(ask, tick),
        until=until_words(task, local_day(tick.now, farm.zone)),
        mark=_mark(task),
        is_late=late,
        why=task.why,
        move=task.move,
        cautions=task.cautions,
        opens=_opens(task),
        elsewhere={TaskKind.SOW: "Enter the sowing", TaskKind.RING: "Change the promise"}.get(task.kind, ""),
        asks_grams=task.kind is TaskKind.HARVEST,
        may_lift=task.kind is TaskKind.WATER,
        trays=0 if task.kind in BY_BATCH or is_promise or task.kind in _UNCOUNTED else task.trays,
        command=task.answer,
    )


def _opens(task: Task) -> str:
    """Return the page that a line opens."""
    if task.kind is TaskKind.SOW:
        return f"/sow?crop={task.crop}&trays={task.trays}"
    return "/ahead" if task.kind is TaskKind.RING else f"/batch/{task.batch}"


def _where(ask: Ask, tick: Tick) -> str:
    """Return what the heading of the stop does not say of where trays are: piles, places on the shelf."""
    groups, places = ask.task.groups, tick.farm.places
    piles = sorted({group.stack for group in groups if group.stack})
    words = [f"pile {say_list(piles)}"] if piles and ask.task.kind not in (TaskKind.CLEAR, TaskKind.WASH) else []
    spots = [group.spot for group in groups if group.spot and group.spot != ask.shelf]
    if spots:
        words.append(say_list([places.name(spot) for spot in dict.fromkeys(spots)]))
    return ", ".join(words)


def _mark(task: Task) -> str:
    """Return what is special about a line."""
    if task.urgency is Urgency.PAST and task.kind in (*_HAS_LAST_DAY, TaskKind.DRAIN):
        return "Past its latest day"
    if task.urgency is Urgency.LAST_DAY and task.kind in _HAS_LAST_DAY:
        return "Last day"
    return "Asked again" if task.answered_not_yet_until is not None else ""


def until_words(task: Task, today: date) -> str:
    """Return until when something is to be done."""
    last = task.latest_on
    if last < today:
        return f"was to be done by {say_day(last)}"
    if last == today:
        return "today"
    return "until tomorrow" if last == today + timedelta(days=1) else f"until {say_day(last)}"


def stops_of(found: Iterable[Ask], tick: Tick) -> tuple[Stop, ...]:
    """Return the places on the way with their lines, in walking order."""
    stops = []
    for (is_promise, shelf), group in groupby(found, key=lambda ask: (ask.task.kind in OF_PROMISES, ask.shelf)):
        lines = tuple(line_of(ask, tick) for ask in group)
        name = "What is promised" if is_promise else tick.farm.places.name(shelf) if shelf else "Without a place"
        tapped = sum(not line.elsewhere for line in lines)
        stops.append(
            Stop(shelf=shelf, name=name[:1].upper() + name[1:], lines=lines, may_all=tapped > 1 and bool(shelf))
        )
    return tuple(stops)


def ahead_words(task: Task, tick: Tick) -> str:
    """Return a coming task in one line."""
    profile = tick.profiles.get(task.crop)
    crop = profile.name.lower() if profile else task.crop
    if task.kind in OF_PROMISES:
        return f"{DOING[task.kind].capitalize()}: promise {task.batch}, {crop}, {say_trays(task.trays)}"
    names = dict.fromkeys(tick.farm.places.name(group.spot) for group in task.groups if group.spot)
    where = f", {say_list(list(names))}" if names else ""
    count = "" if task.kind in _UNCOUNTED else f", {say_count(task)}"
    return f"{DOING[task.kind].capitalize()}: batch {task.batch} {crop}{count}{where}"
