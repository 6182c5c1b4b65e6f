"""What a tap on a line of the round means: the entries that the command line would write for the same answer; pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from alerts.findings import Tick
from alerts.roundanswers import AnswerLine, answer_entries, answer_lines
from alerts.tasks import OF_PROMISES, Task, TaskKind, TrayGroup
from dashboards.pages.walk import Ask, cut_down
from monitor.amounts import say_g, say_list, say_ml, say_trays
from monitor.errors import RefusedError
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind, NewEntry, effective


class Saying(StrEnum):
    """What a person says to a line."""

    DONE = "done"
    NOT_YET = "not yet"
    HEAVY = "heavy"
    RIGHT = "right"
    LIGHT = "light"


FEELS = (Saying.HEAVY, Saying.RIGHT, Saying.LIGHT)


def tap_entries(
    ask: Ask,
    saying: Saying,
    *,
    at: datetime,
    by: str,
    grams: float | None = None,
    trays: int | None = None,
) -> tuple[NewEntry, ...]:
    """Return the entries of one tap, each with what was asked.

    Args:
        ask: What the line asks.
        saying: What is said to it.
        at: When.
        by: By whom.
        grams: Cut in all, for a harvest. [g]
        trays: Only so many of its trays were done; None: all of them.

    Raises:
        RefusedError: A harvest without its grams, more trays than there are, or a line that a tap cannot answer.
    """
    task = ask.task
    if saying is Saying.NOT_YET:
        found: tuple[NewEntry, ...] = (_not_yet(task, at, by),)
    elif saying in FEELS:
        found = _lifted(task, saying, at, by)
    else:
        if task.kind is TaskKind.HARVEST and grams is None:
            raise RefusedError("Say how much was cut, in all; nothing was entered.")
        found = answer_entries(task, _first(task, trays), at=at, by=by, grams=grams)
        if not found:
            raise RefusedError(f"This is answered by its own page, or by: {task.answer}")
    return marked(found, task)


def marked(entries: Iterable[NewEntry], task: Task) -> tuple[NewEntry, ...]:
    """Return entries that keep which task they answer."""
    return tuple(replace(entry, data={**entry.data, "asked": task.key}) for entry in entries)


def _first(task: Task, trays: int | None) -> tuple[TrayGroup, ...]:
    """Return the first so many trays of a task, in walking order."""
    if trays is None or trays == task.trays:
        return task.groups
    if not 1 <= trays <= task.trays:
        raise RefusedError(f"There are {say_trays(task.trays)} of it here, not {trays}; nothing was entered.")
    left, found = trays, []
    for group in task.groups:
        if left > 0:
            found.append(replace(group, trays=min(left, group.trays)))
            left -= group.trays
    return tuple(found)


def _not_yet(task: Task, at: datetime, by: str) -> NewEntry:
    """Return the entry that puts a task off to the next round."""
    data = {"task": task.kind.value.split()[0], "until": None, "text": ""}
    if task.kind in OF_PROMISES:
        return NewEntry(kind=EntryKind.NOT_YET, at=at, by=by, data={**data, "promise": task.batch})
    return NewEntry(kind=EntryKind.NOT_YET, at=at, by=by, batch=task.batch, data=data)


def _lifted(task: Task, feel: Saying, at: datetime, by: str) -> tuple[NewEntry, ...]:
    """Return the entries of a tray that was lifted, one a place."""
    if task.kind is not TaskKind.WATER:
        raise RefusedError("Only what may want water is lifted here; the batch's own page takes every lift.")
    spots = dict.fromkeys(group.spot for group in task.groups)
    return tuple(
        NewEntry(kind=EntryKind.LIFTED, at=at, by=by, batch=task.batch, spot=spot, data={"feel": feel.value})
        for spot in spots
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """A shelf or a whole round answered at once.

    Attributes:
        entries: What is entered.
        done: How many lines that answers.
        left_out: What is left out, each with why.
    """

    entries: tuple[NewEntry, ...]
    done: int
    left_out: tuple[str, ...]


def walked_entries(
    found: Sequence[Ask],
    tick: Tick,
    *,
    at: datetime,
    by: str,
    but: Collection[str] = (),
    grams: Mapping[str, float] | None = None,
    shelf: str | None = None,
) -> Walked:
    """Return the entries that answer several lines at once, all but those picked out; as `traywarden done` does.

    Args:
        found: The lines that are meant.
        tick: The moment.
        at: When all was done.
        by: By whom.
        but: Keys of the lines picked out.
        grams: Grams cut by line key; a harvest that is not among them is left out. [g]
        shelf: Id of the only place that was walked; None: the whole round.
    """
    weights = grams or {}
    away = [ask for ask in found if shelf is not None and _stood_elsewhere(ask, shelf, tick)]
    chosen = [ask for ask in found if ask.key not in but and ask not in away]
    cut = [ask for ask in chosen if ask.task.kind is TaskKind.HARVEST and ask.key in weights]
    left = [f"{say_ask(ask, tick)}: you picked it out" for ask in found if ask.key in but]
    left += [
        f"{say_ask(ask, tick)}: no grams said, so not cut"
        for ask in chosen
        if ask.task.kind is TaskKind.HARVEST and ask.key not in weights
    ]
    left += [f"{say_ask(ask, tick)}: it stood in other places too" for ask in away if ask.key not in but]
    left += [f"{say_ask(ask, tick)}: has its own page" for ask in chosen if ask.task.kind in OF_PROMISES]
    chosen = [ask for ask in chosen if ask.task.kind not in OF_PROMISES]
    rest = [ask for ask in chosen if ask.task.kind is not TaskKind.HARVEST]
    lines = answer_lines(_joined(rest), tick.farm.places, at=at, by=by)
    gone = {(ask.task.batch, group.spot) for ask in cut for group in ask.task.groups}
    entries: list[NewEntry] = []
    done = len(cut)
    for line in lines:
        kept = _not_cut(line, gone, at, by)
        entries += marked(kept, line.task)
        done += bool(kept)
        if not kept:
            why = line.left_out or "cut in this round, so not watered before"
            left.append(f"{say_task(line.task, tick)}: {why}")
    for ask in cut:  # water first, then cut
        entries += marked(answer_entries(ask.task, ask.task.groups, at=at, by=by, grams=weights[ask.key]), ask.task)
    return Walked(entries=tuple(entries), done=done, left_out=tuple(left))


def _stood_elsewhere(ask: Ask, shelf: str, tick: Tick) -> bool:
    """Tell whether a batch that is to be cleared stood in places beyond the shelf that was walked."""
    places = tick.farm.places
    return ask.task.kind is TaskKind.CLEAR and any(
        group.spot is None or not places.is_within(group.spot, shelf) for group in ask.task.groups
    )


def _joined(found: Iterable[Ask]) -> list[Task]:
    """Return the tasks of lines, one task once."""
    groups: dict[str, list[TrayGroup]] = {}
    tasks: dict[str, Ask] = {}
    water: dict[str, float] = {}
    for ask in found:
        tasks.setdefault(ask.task.key, ask)
        groups.setdefault(ask.task.key, []).extend(ask.task.groups)
        water[ask.task.key] = water.get(ask.task.key, 0.0) + ask.task.water_ml
    return [replace(ask.task, groups=tuple(groups[key]), water_ml=water[key]) for key, ask in tasks.items()]


def _not_cut(line: AnswerLine, gone: Collection[tuple[str, str | None]], at: datetime, by: str) -> tuple[NewEntry, ...]:
    """Return a line's entries without the water of what is cut in the same round."""
    if line.task.kind is not TaskKind.WATER or line.left_out:
        return line.entries
    dry = tuple(group for group in line.groups if (line.task.batch, group.spot) not in gone)
    return answer_entries(cut_down(line.task, dry), dry, at=at, by=by) if dry else ()


def say_task(task: Task, tick: Tick) -> str:
    """Return a task in few words, e.g. ``uncover batch 12 radish``."""
    profile = tick.profiles.get(task.crop)
    return f"{task.kind.value} batch {task.batch} {profile.name.lower() if profile else task.crop}"


def say_ask(ask: Ask, tick: Tick) -> str:
    """Return what a line asks in few words, with its place where there are several."""
    where = f" on {tick.farm.places.name(ask.shelf)}" if ask.is_part else ""
    return f"{say_task(ask.task, tick)}{where}"


_SAID = {
    EntryKind.DRAINED: "drained",
    EntryKind.LOOKED: "looked at",
    EntryKind.UNCOVERED: "uncovered",
    EntryKind.LIGHTS_ON: "brought into the light",
    EntryKind.WATERED: "watered",
    EntryKind.HARVESTED: "cut",
    EntryKind.CLEANED: "cleared and washed",
    EntryKind.LIFTED: "lifted",
    EntryKind.NOT_YET: "not yet",
}


def say_entries(entries: Sequence[NewEntry], tick: Tick) -> str:
    """Return what one answer wrote, in one sentence without its end."""
    farm = tick.farm
    batches = list(dict.fromkeys(entry.batch for entry in entries))
    if len(batches) > 2:
        return f"{len({(entry.batch, entry.kind) for entry in entries})} things done"
    return "; ".join(_say_batch([entry for entry in entries if entry.batch == batch], tick, farm) for batch in batches)


def _say_batch(entries: Sequence[NewEntry], tick: Tick, farm: Farm) -> str:
    """Return what an answer wrote of one batch."""
    first = entries[0]
    batch = tick.batches.get(first.batch or "")
    profile = tick.profiles.get(batch.crop) if batch else None
    who = f"batch {first.batch} {profile.name.lower() if profile else ''}".strip() if batch else ""
    who = who or (f"promise {first.data['promise']}" if first.data.get("promise") else "")
    what = say_list(list(dict.fromkeys(_say_kind(entry, farm) for entry in entries)))
    trays = sum(entry.trays or 0 for entry in entries)
    count = f", {say_trays(trays)}" if trays else ""
    names = dict.fromkeys(farm.places.name(entry.spot) for entry in entries if entry.spot)
    where = f", {say_list(list(names))}" if names else ""
    return f"{who} {what}{count}{where}".strip()


def _say_kind(entry: NewEntry, farm: Farm) -> str:
    """Return what one entry says was done."""
    said = _SAID.get(entry.kind, entry.kind.value)
    if entry.kind is EntryKind.LIFTED:
        return f"{said}: {entry.data.get('feel')}"
    if entry.kind is EntryKind.WATERED and entry.data.get("ml_per_tray"):
        return f"{said} with {say_ml(float(entry.data['ml_per_tray']), farm.units)} each"
    if entry.kind is EntryKind.HARVESTED and entry.data.get("grams"):
        return f"{said}, {say_g(float(entry.data['grams']), farm.units)}"
    return said


def answered_by(task_key: str, entries: Iterable[Entry]) -> Entry | None:
    """Return the newest entry that holds and answers a task, or None."""
    holding = [entry for entry in effective(entries) if entry.data.get("asked") == task_key]
    return max(holding, key=lambda entry: entry.id, default=None)
