"""What is promised to whom, folded from the ledger's entries; standing orders laid out day by day; pure.

A promise is an entry of kind PROMISED; so are its changes and its end, which name it. Nothing is overwritten.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.batches import Batch, Fate
from monitor.clock import local_day
from monitor.errors import EntryError
from monitor.ledger import Entry, EntryKind, effective


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What holds of a promise from a day on.

    Attributes:
        from_on: First local day on which these terms hold.
        for_on: The day asked for; a standing order counts its days from here.
        every_days: Days from one time to the next; None: once only. [d]
        crop: Profile id.
        trays: How many each time.
        whom: Who gets them, as entered.
        living: They go out living, not cut.
    """

    from_on: date
    for_on: date
    every_days: int | None
    crop: str
    trays: int
    whom: str
    living: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """Trays of a crop promised to somebody, once or again and again.

    Attributes:
        id: What it is called, e.g. ``P3``.
        terms: What holds, by the day from which it does; one at least.
        only: Trays on single days that differ from the terms; 0: none on that day.
        ends_on: From this day on nothing is owed any more; None: it has no end.
        entries: The effective entries that concern it, oldest first.
    """

    id: str
    terms: tuple[Terms, ...]
    only: Mapping[date, int]
    ends_on: date | None
    entries: tuple[Entry, ...]

    def terms_on(self, day: date) -> Terms:
        """Return what holds on a day; before the first terms begin, those."""
        return next((each for each in reversed(self.terms) if each.from_on <= day), self.terms[0])

    def days(self, start: date, end: date) -> Iterator[tuple[date, Terms]]:
        """Yield the days from start to end, both included, on which something is owed, with what holds on them."""
        for place, terms in enumerate(self.terms):
            later = self.terms[place + 1].from_on if place + 1 < len(self.terms) else None
            last = min(each for each in (end, _before(later), _before(self.ends_on)) if each is not None)
            for day in _steps(terms, max(start, terms.from_on), last):
                trays = self.only.get(day, terms.trays)
                if trays:
                    yield day, replace(terms, trays=trays)


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """What one promise asks for on one day.

    Attributes:
        promise: Id of the promise.
        on: The local day.
        crop: Profile id.
        trays: How many are promised.
        whom: Who gets them.
        living: They go out living, not cut.
        delivered: How many of them went out on that day already.
    """

    promise: str
    on: date
    crop: str
    trays: int
    whom: str
    living: bool
    delivered: int = 0

    @property
    def open(self) -> int:
        """Return how many are still to go out."""
        return max(0, self.trays - self.delivered)


Promises = Mapping[str, Promise]


def _before(day: date | None) -> date | None:
    return None if day is None else day - timedelta(days=1)


def _steps(terms: Terms, start: date, end: date) -> Iterator[date]:
    """Yield the days of some terms within a span, both ends included."""
    if terms.every_days is None:
        if start <= terms.for_on <= end:
            yield terms.for_on
        return
    behind = max(0, (start - terms.for_on).days)
    day = terms.for_on + timedelta(days=-(-behind // terms.every_days) * terms.every_days)
    while day <= end:
        yield day
        day += timedelta(days=terms.every_days)


def promise_number(promise_id: str) -> int:
    """Return the number in a promise's id, for sorting."""
    return int(promise_id[1:]) if promise_id[1:].isdigit() else 0


def next_promise_id(entries: Iterable[Entry]) -> str:
    """Return the id of the next promise; one that was withdrawn is not used again."""
    used = [str(entry.data.get("promise", "")) for entry in entries if entry.kind is EntryKind.PROMISED]
    return f"P{max((promise_number(each) for each in used), default=0) + 1}"


def _terms(entry: Entry, from_on: date) -> Terms:
    """Return the terms that an entry sets.

    Raises:
        EntryError: Something is missing in it.
    """
    data = entry.data
    if not data.get("crop") or not data.get("for") or not data.get("whom") or not entry.trays:
        raise EntryError(f"entry {entry.id} (promised): crop, trays, day and name are needed; enter it again whole")
    every = data.get("every_days")
    return Terms(
        from_on=from_on,
        for_on=date.fromisoformat(str(data["for"])),
        every_days=None if every is None else int(every),
        crop=str(data["crop"]),
        trays=entry.trays,
        whom=str(data["whom"]),
        living=bool(data.get("living")),
    )


def _changed(promise: Promise, entry: Entry) -> Promise:
    """Return a promise as an entry about it leaves it."""
    data = entry.data
    entries = (*promise.entries, entry)
    if entry.kind is EntryKind.NOT_YET:
        return replace(promise, entries=entries)
    if data.get("ends"):
        return replace(promise, entries=entries, ends_on=date.fromisoformat(str(data["ends"])))
    if data.get("only"):
        day = date.fromisoformat(str(data["only"]))
        return replace(promise, entries=entries, only={**promise.only, day: entry.trays or 0})
    new = _terms(entry, date.fromisoformat(str(data["from"])))
    kept = tuple(each for each in promise.terms if each.from_on < new.from_on)
    return replace(promise, entries=entries, terms=(*kept, new))


def promises_of(entries: Iterable[Entry]) -> dict[str, Promise]:
    """Return all promises as the entries tell them, in the order in which they were made.

    Args:
        entries: The whole ledger, in any order; corrected entries are replaced first.

    Raises:
        EntryError: An entry changes or ends a promise that is not there, or lacks something.
    """
    found: dict[str, Promise] = {}
    for entry in effective(entries):
        name = entry.data.get("promise")
        if not name or entry.kind not in (EntryKind.PROMISED, EntryKind.NOT_YET):
            continue
        known = found.get(str(name))
        if known is not None:
            found[known.id] = _changed(known, entry)
            continue
        if entry.kind is EntryKind.NOT_YET or any(entry.data.get(key) for key in ("ends", "only", "from")):
            raise EntryError(
                f"entry {entry.id} ({entry.kind.value}): there is no promise {name} before it; "
                "`traywarden promises --all` lists them"
            )
        terms = _terms(entry, date.min)
        found[str(name)] = Promise(id=str(name), terms=(terms,), only={}, ends_on=None, entries=(entry,))
    return found


def promises_as_of(entries: Iterable[Entry], now: datetime) -> dict[str, Promise]:
    """Return all promises as they stood at an instant: entries after it are left out."""
    return promises_of(entry for entry in effective(entries) if entry.at <= now)


def same_name(whom: str) -> str:
    """Return a name as it is compared: capitals and spaces do not count."""
    return " ".join(whom.split()).casefold()


Deliveries = Mapping[tuple[date, str, str], int]
"""Trays that went out, by local day, name (see ``same_name``) and crop."""


def deliveries_of(batches: Iterable[Batch], zone: ZoneInfo) -> dict[tuple[date, str, str], int]:
    """Return how many trays went out by day, name and crop; deliveries without a name count for nobody."""
    found: dict[tuple[date, str, str], int] = defaultdict(int)
    for batch in batches:
        for entry in batch.entries:
            whom = entry.data.get("whom")
            if entry.kind is EntryKind.DELIVERED and whom:
                found[(local_day(entry.at, zone), same_name(str(whom)), batch.crop)] += _delivered(batch, entry)
    return dict(found)


def _delivered(batch: Batch, entry: Entry) -> int:
    """Return how many trays a delivery meant; where it names no number, those that ended at its instant."""
    if entry.trays is not None:
        return entry.trays
    gone = sum(part.trays for part in batch.parts if part.fate is Fate.DELIVERED and part.ended_at == entry.at)
    named = sum(
        other.trays or 0
        for other in batch.entries
        if other.kind is EntryKind.DELIVERED and other.at == entry.at and other.id != entry.id
    )
    return max(0, gone - named)


def owed(promises: Promises, delivered: Deliveries, start: date, end: date) -> tuple[Owed, ...]:
    """Return what is owed from start to end, both included, by day and then in the order of promising.

    What went out on the day to the same name, of the same crop, counts against it; where that name has several
    promises of the crop on the day, the first is filled first.
    """
    asked = [
        (day, terms, promise.id)
        for promise in promises.values()
        for day, terms in promise.days(start, end)
    ]  # fmt: skip
    left = dict(delivered)
    found = []
    for day, terms, promise_id in sorted(asked, key=lambda each: (each[0], promise_number(each[2]))):
        key = (day, same_name(terms.whom), terms.crop)
        went = min(terms.trays, left.get(key, 0))
        left[key] = left.get(key, 0) - went
        found.append(
            Owed(
                promise=promise_id,
                on=day,
                crop=terms.crop,
                trays=terms.trays,
                whom=terms.whom,
                living=terms.living,
                delivered=went,
            )
        )
    return tuple(found)
