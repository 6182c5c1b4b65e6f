"""Who stands in for whom, on which days: read from the ledger's entries; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from monitor.clock import local_day
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind
from monitor.people import Person


@dataclass(frozen=True, slots=True, kw_only=True)
class StandIn:
    """One person's rounds, handed to another for some days.

    Attributes:
        id: Number of its entry.
        person: Who is away.
        standin: Who walks the rounds instead.
        from_on: First local day.
        to_on: Last local day.
        note: Where things are, and what else the stand-in should know; may be empty.
        by: Who entered it.
        at: When it was entered.
    """

    id: int
    person: str
    standin: str
    from_on: date
    to_on: date
    note: str
    by: str
    at: datetime

    def is_on(self, day: date) -> bool:
        """Tell whether it holds on a local day."""
        return self.from_on <= day <= self.to_on

    @property
    def key(self) -> str:
        """Return what makes it the same cover when its end is moved."""
        return f"cover|{self.person}|{self.from_on.isoformat()}"


def covers_of(entries: Iterable[Entry]) -> tuple[StandIn, ...]:
    """Return all covers in the order of their entries; entries are those that hold."""
    rows = sorted((entry for entry in entries if entry.kind is EntryKind.COVER), key=lambda entry: entry.id)
    return tuple(
        StandIn(
            id=row.id,
            person=str(row.data["person"]),
            standin=str(row.data["standin"]),
            from_on=date.fromisoformat(str(row.data["from"])),
            to_on=date.fromisoformat(str(row.data["to"])),
            note=str(row.data.get("note") or ""),
            by=row.by,
            at=row.at,
        )
        for row in rows
    )


def cover_on(person: str, day: date, covers: Sequence[StandIn]) -> StandIn | None:
    """Return the cover of a person on a local day, the one entered last where several hold; None: there is none."""
    held = [cover for cover in covers if cover.person == person and cover.is_on(day)]
    return held[-1] if held else None


def on_duty(farm: Farm, now: datetime, covers: Sequence[StandIn] = ()) -> tuple[Person, ...]:
    """Return who is told: everybody on duty that local day, else the farm's first person; stand-ins in their place.

    A stand-in who is away hands on to their own; nobody is named twice.
    """
    people = tuple(person for person in farm.people.values() if person.is_on_duty(now, farm.zone))
    people = people or tuple(farm.people.values())[:1]
    day = local_day(now, farm.zone)
    return tuple({person.id: person for person in (_present(each, day, farm, covers) for each in people)}.values())


def _present(person: Person, day: date, farm: Farm, covers: Sequence[StandIn]) -> Person:
    """Return who walks in a person's place; the person, where those who should are away in a ring or unknown."""
    seen = {person.id}
    current = person
    while (cover := cover_on(current.id, day, covers)) is not None:
        if cover.standin in seen or cover.standin not in farm.people:
            return person
        seen.add(cover.standin)
        current = farm.people[cover.standin]
    return current


def stands_in_for(person: str, now: datetime, zone: ZoneInfo, covers: Sequence[StandIn]) -> tuple[StandIn, ...]:
    """Return the covers in which a person stands in for somebody on the local day of an instant."""
    day = local_day(now, zone)
    held = (cover_on(away, day, covers) for away in dict.fromkeys(cover.person for cover in covers))
    return tuple(cover for cover in held if cover is not None and cover.standin == person)
