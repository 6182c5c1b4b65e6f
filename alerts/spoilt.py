"""What is to be done after trays were thrown away for mould, slime or smell: look at their neighbours, wash the shelf.

Derived afresh from the ledger, as all tasks are; each is told once, and answered by ``look`` and ``clean``; pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta

from alerts import words
from alerts.findings import Tick
from alerts.rounds import next_round
from alerts.tasks import Task, TaskKind, TrayGroup, Urgency
from monitor.amounts import say_list
from monitor.batches import Batch, Fate, Part
from monitor.clock import day_number, local_day
from monitor.errors import NotFoundError
from monitor.ledger import Entry, EntryKind
from monitor.places import Places, SpotKind
from monitor.profiles import PhaseKind, Profile
from monitor.verbs import is_spoilt

OPEN_FOR = timedelta(days=5)
_LOOKED = (EntryKind.LOOKED, EntryKind.DISCARDED, EntryKind.UNCOVERED)


PutOff = Callable[[Batch, TaskKind, date, Tick], datetime | None]


def spoilt_tasks(tick: Tick, put_off: PutOff) -> Iterator[Task]:
    """Yield the open looks and washes of the last days; a batch that was looked at since needs none.

    Args:
        tick: The moment.
        put_off: Says until when a person answered a task of a kind, since a day, with "not yet".
    """
    done: set[str] = set()
    for batch in tick.batches.values():
        for entry in reversed(batch.entries):
            if not _counts(entry, tick):
                continue
            for task in (*_looks(batch, entry, tick), *_washes(batch, entry, tick)):
                if task.key not in done:
                    done.add(task.key)
                    off = put_off(tick.batches[task.batch], task.kind, task.earliest_on, tick)
                    yield replace(task, answered_not_yet_until=off)


def _counts(entry: Entry, tick: Tick) -> bool:
    """Tell whether an entry is a discard of spoilt trays of the last days."""
    is_it = entry.kind is EntryKind.DISCARDED and is_spoilt(str(entry.data.get("why") or ""))
    return is_it and entry.at <= tick.now < entry.at + OPEN_FOR


def shelf_of(spot: str, places: Places) -> str:
    """Return the shelf that holds a spot; the spot itself where no shelf does."""
    for outer in places.chain(spot):
        if outer in places and places[outer].kind is SpotKind.SHELF:
            return outer
    return spot


def shelves_of(batch: Batch, entry: Entry, places: Places) -> tuple[str, ...]:
    """Return the shelves that discarded trays stood on."""
    spots = [part.spot for part in batch.parts if part.fate is Fate.DISCARDED and part.ended_at == entry.at]
    return tuple(dict.fromkeys(shelf_of(spot, places) for spot in spots if spot))


def _looks(origin: Batch, entry: Entry, tick: Tick) -> Iterator[Task]:
    """Yield a look at what stood beside the discarded trays, and at the rest of their batch wherever it stands."""
    shelves = shelves_of(origin, entry, tick.farm.places)
    for batch in tick.batches.values():
        profile = tick.profiles.get(batch.crop)
        if profile is None or batch.sown_at is None or batch.sown_at > entry.at:
            continue
        if any(each.kind in _LOOKED and each.at > entry.at for each in batch.entries):
            continue
        beside = [part for part in batch.standing if batch.id == origin.id or _is_on(part, shelves, tick.farm.places)]
        if beside:
            yield _look(batch, beside, profile, origin, entry, tick)


def _is_on(part: Part, shelves: tuple[str, ...], places: Places) -> bool:
    """Tell whether a part stands on one of the shelves."""
    return part.spot is not None and any(places.is_within(part.spot, shelf) for shelf in shelves)


def _look(batch: Batch, beside: list[Part], profile: Profile, origin: Batch, entry: Entry, tick: Tick) -> Task:
    """Return the look at one batch."""
    covered = all(part.uncovered_at is None and part.lights_at is None for part in beside)
    said = words.say_look_over(profile, covered=covered and any(part.covered_at for part in beside))
    groups: dict[tuple[str | None, str | None], int] = {}
    for part in beside:
        groups[(part.spot, part.stack)] = groups.get((part.spot, part.stack), 0) + part.trays
    why = str(entry.data.get("why"))
    where = "the rest of the same batch" if batch.id == origin.id else f"they stand beside batch {origin.id}"
    return _task(
        TaskKind.LOOK_OVER,
        batch,
        occurrence=f"after {origin.id} {local_day(entry.at, tick.farm.zone).isoformat()}",
        groups=tuple(TrayGroup(trays=trays, spot=spot, stack=stack) for (spot, stack), trays in groups.items()),
        said=said,
        why=f"Trays of batch {origin.id} were thrown away ({why}); {where}.",
        answer=f"traywarden look {batch.id} --text 'nothing seen'",
        entry=entry,
        tick=tick,
    )


def _washes(origin: Batch, entry: Entry, tick: Tick) -> Iterator[Task]:
    """Yield the wash of the shelf; where the whole batch is gone, clearing up after it is asked for anyway."""
    if origin.is_over:
        return
    places = tick.farm.places
    shelves = [shelf for shelf in shelves_of(origin, entry, places) if not _is_washed(shelf, entry, tick)]
    if shelves:
        names = say_list([places.name(shelf) for shelf in shelves])
        why = f"Trays of batch {origin.id} were thrown away there ({entry.data.get('why')})."
        yield _task(
            TaskKind.WASH,
            origin,
            occurrence=f"after {origin.id} {local_day(entry.at, tick.farm.zone).isoformat()}",
            groups=tuple(TrayGroup(trays=0, spot=shelf) for shelf in shelves),
            said=words.say_wash(names),
            why=why,
            answer=f"traywarden clean {_short(shelves[0], places)}",
            entry=entry,
            tick=tick,
        )


def _short(shelf: str, places: Places) -> str:
    """Return the shortest name by which a command finds a shelf."""
    tail = shelf.partition("/")[2]
    try:
        return tail if tail and places.find(tail).id == shelf else shelf
    except NotFoundError:  # another room has such a shelf too
        return shelf


def _is_washed(shelf: str, entry: Entry, tick: Tick) -> bool:
    """Tell whether a shelf was washed since."""
    return any(
        each.kind is EntryKind.CLEANED
        and each.at > entry.at
        and each.spot is not None
        and tick.farm.places.is_within(shelf, each.spot)
        for each in tick.entries
    )


def _task(
    kind: TaskKind,
    batch: Batch,
    *,
    occurrence: str,
    groups: tuple[TrayGroup, ...],
    said: words.Said,
    why: str,
    answer: str,
    entry: Entry,
    tick: Tick,
) -> Task:
    """Return a task that is due at the round after a discard; its key holds while phases go by."""
    zone = tick.farm.zone
    day = local_day(entry.at, zone)
    latest = day + timedelta(days=1)
    places = tick.farm.places
    return Task(
        kind=kind,
        batch=batch.id,
        crop=batch.crop,
        phase=PhaseKind.LIGHT,  # always: a key that moved with the phase would be told twice
        occurrence=occurrence,
        groups=tuple(sorted(groups, key=lambda group: places.walking_order(group.spot))),
        earliest_on=day,
        usual_on=day,
        latest_on=latest,
        ask_at=next_round(tick.farm, entry.at),
        urgency=_urgency(local_day(tick.now, zone), day, latest),
        answered_not_yet_until=None,
        day=0 if batch.sown_at is None else day_number(tick.now, batch.sown_at, zone),
        move=said.move,
        why=why,
        cautions=said.cautions,
        answer=answer,
    )


def _urgency(today: date, day: date, latest: date) -> Urgency:
    """Return where in its window such a task stands."""
    if today > latest:
        return Urgency.PAST
    return Urgency.LAST_DAY if today == latest else Urgency.DUE
