"""A whole round answered at once: which entries say that its tasks are done, which tasks are left out, and why; pure.

The same entries come from a ticked line of the wall sheet. What a task asks for is what is entered: its trays, its
place, its water. A harvest is entered only where somebody says the grams; what is cut is not watered before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from alerts.tasks import Task, TaskKind, TrayGroup
from monitor.errors import NotFoundError
from monitor.ledger import EntryKind, NewEntry
from monitor.places import Places

BY_GROUP = {
    TaskKind.UNCOVER: EntryKind.UNCOVERED,
    TaskKind.END_BLACKOUT: EntryKind.LIGHTS_ON,
    TaskKind.WATER: EntryKind.WATERED,
    TaskKind.HARVEST: EntryKind.HARVESTED,
}
BY_BATCH = {
    TaskKind.DRAIN: EntryKind.DRAINED,
    TaskKind.LOOK: EntryKind.LOOKED,
    TaskKind.LOOK_OVER: EntryKind.LOOKED,
    TaskKind.CLEAR: EntryKind.CLEANED,
}


class Asked(Protocol):
    """What an answer needs to know of what was asked: a task, or a line of paper."""

    @property
    def kind(self) -> TaskKind:
        """Return what is to be done."""
        ...

    @property
    def batch(self) -> str:
        """Return the batch."""
        ...

    @property
    def trays(self) -> int:
        """Return how many trays it means in all."""
        ...

    @property
    def water_ml(self) -> float:
        """Return what is to be poured in all, in ml."""
        ...


def _data(task: Asked, grams: float | None) -> dict[str, Any]:
    """Return what an entry carries beside its trays."""
    if task.kind is TaskKind.WATER:
        return {"ml_per_tray": round(task.water_ml / task.trays) if task.trays else None}
    if task.kind is TaskKind.HARVEST:
        return {"grams": grams}
    if task.kind in (TaskKind.LOOK, TaskKind.LOOK_OVER):
        return {"text": "nothing seen" if task.kind is TaskKind.LOOK_OVER else ""}
    return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerLine:
    """One task of the round, with the entries that answer it.

    Attributes:
        task: The task.
        groups: The trays of it that are meant.
        entries: What is entered; empty: it is left out.
        left_out: Why it is left out; empty: it is entered.
    """

    task: Task
    groups: tuple[TrayGroup, ...]
    entries: tuple[NewEntry, ...]
    left_out: str = ""


def answer_entries(
    task: Asked, groups: Iterable[TrayGroup], *, at: datetime, by: str, grams: float | None = None
) -> tuple[NewEntry, ...]:
    """Return the entries that say that a task is done for some of its trays; none where no entry answers its kind.

    Args:
        task: The task.
        groups: The trays of it that were done.
        at: When.
        by: By whom.
        grams: Cut in all, for a harvest; shared out by trays where they stood in several places. [g]
    """
    listed = tuple(groups)
    if task.kind is TaskKind.WASH:
        return tuple(
            NewEntry(kind=EntryKind.CLEANED, at=at, by=by, spot=group.spot, data=_data(task, None)) for group in listed
        )
    if task.kind in BY_BATCH:
        return (NewEntry(kind=BY_BATCH[task.kind], at=at, by=by, batch=task.batch, data=_data(task, None)),)
    if task.kind not in BY_GROUP:
        return ()
    trays = sum(group.trays for group in listed)
    return tuple(
        NewEntry(
            kind=BY_GROUP[task.kind],
            at=at,
            by=by,
            batch=task.batch,
            trays=group.trays,
            spot=group.spot,
            stack=group.stack if task.kind is TaskKind.UNCOVER else None,
            data=_data(task, None if grams is None else round(grams * group.trays / trays, 1)),
        )
        for group in listed
    )


def answer_lines(
    tasks: Iterable[Task],
    places: Places,
    *,
    at: datetime,
    by: str,
    shelf: str | None = None,
    but: Collection[str] = (),
    grams: Mapping[str, float] | None = None,
    own: Mapping[str, Sequence[NewEntry]] | None = None,
) -> tuple[AnswerLine, ...]:
    """Return one line for each task of a round or of one shelf, entered or left out with the reason; harvests last.

    Args:
        tasks: The open tasks of the round, in walking order.
        places: The farm's places.
        at: When all was done.
        by: By whom.
        shelf: Id of the place that was walked; None: the whole round.
        but: What is left out: batch ids, or ``12:water`` for one task of a batch.
        grams: Grams cut in all by batch id; a harvest that is not among them is left out.
        own: What a person said of single tasks, by their keys, as entries: a sowing, what a buyer agreed to.
    """
    known = list(tasks)
    _check(but, known)
    weights = grams or {}
    cut = {
        (task.batch, group.spot)
        for task in known
        if task.kind is TaskKind.HARVEST and not is_picked(task, but) and task.batch in weights
        for group in task.groups
    }
    lines = []
    for task in sorted(known, key=lambda each: each.kind is TaskKind.HARVEST):  # water first, then cut
        groups = tuple(group for group in task.groups if shelf is None or _is_there(group.spot, shelf, places))
        if not groups:
            continue
        left_out = _left_out(task, groups, but, weights)
        if task.kind is TaskKind.WATER and not left_out:
            dry = tuple(group for group in groups if (task.batch, group.spot) not in cut)
            groups, left_out = (dry, "") if dry else (groups, "cut in this round, so not watered before")
        said = tuple((own or {}).get(task.key, ()))
        entries = () if left_out else said or answer_entries(task, groups, at=at, by=by, grams=weights.get(task.batch))
        if not left_out and not entries:
            left_out = f"answer it by its own command: {task.answer}"
        lines.append(AnswerLine(task=task, groups=groups, entries=entries, left_out=left_out))
    return tuple(lines)


def _is_there(spot: str | None, shelf: str, places: Places) -> bool:
    """Tell whether trays stand at the place that was walked."""
    return spot is not None and places.is_within(spot, shelf)


def is_picked(task: Task, but: Collection[str]) -> bool:
    """Tell whether somebody picked a task out."""
    return task.batch in but or f"{task.batch}:{task.kind.value.split()[0]}" in but


def _left_out(task: Task, groups: tuple[TrayGroup, ...], but: Collection[str], grams: Mapping[str, float]) -> str:
    """Return why a task is left out; empty where it is not."""
    if is_picked(task, but):
        return "you picked it out"
    if task.kind is TaskKind.HARVEST and task.batch not in grams:
        return f"nothing cut, or no grams said; when it is cut: {task.answer}"
    if task.kind is TaskKind.CLEAR and len(groups) < len(task.groups):
        return f"it stood in other places too; when all are washed: {task.answer}"
    return ""


def _check(but: Collection[str], tasks: Iterable[Task]) -> None:
    """Refuse what is picked out but not there.

    Raises:
        NotFoundError: It is named, with what there is.
    """
    there = {name for task in tasks for name in (task.batch, f"{task.batch}:{task.kind.value.split()[0]}")}
    for name in but:
        if name not in there:
            listed = ", ".join(sorted(there)) or "nothing"
            raise NotFoundError(f"no task of this round is {name!r}; there are: {listed}")
