"""What a wish to hand over rounds, or to walk them again, comes to; pure."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from monitor.amounts import say_day
from monitor.clock import local_day
from monitor.covers import StandIn, cover_on, covers_of
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import EntryKind, NewEntry, effective
from monitor.people import WEEKDAYS
from monitor.timewords import read_day

_LONGEST = timedelta(days=92)


def _standin(desk: Desk, person: str, said: str | None) -> str:
    """Return who stands in: as said, or the only other person.

    Raises:
        RefusedError: It is the same person, or several could be meant.
    """
    others = [each for each in desk.farm.people if each != person]
    if said is not None:
        standin = desk.person(said)
        if standin == person:
            raise RefusedError(f"{person} cannot stand in for {person}; say who does, with --by")
        return standin
    if len(others) != 1:
        listed = ", ".join(others) or "nobody else stands in farm.toml: add a [[person]]"
        raise RefusedError(f"who stands in for {person}? Say it with --by; there are: {listed}")
    return others[0]


def _days(desk: Desk, first: str, last: str) -> tuple[date, date]:
    """Return the first and the last day that are meant.

    Raises:
        RefusedError: They cannot be.
    """
    today = local_day(desk.now, desk.farm.zone)
    from_on = read_day(first, today=today, ahead=True)
    to_on = read_day(last, today=from_on, ahead=True)
    if to_on < from_on:
        raise RefusedError(f"{say_day(to_on)} lies before {say_day(from_on)}; give the first day, then the last")
    if to_on < today:
        raise RefusedError(f"{say_day(to_on)} is past; a cover begins today or later")
    if to_on - from_on > _LONGEST:
        raise RefusedError(f"{say_day(from_on)} to {say_day(to_on)} is more than three months; give a shorter span")
    return from_on, to_on


def _mind(desk: Desk, cover: StandIn) -> None:
    """Warn of what is odd about a cover."""
    days = [cover.from_on + timedelta(days=step) for step in range((cover.to_on - cover.from_on).days + 1)]
    person = desk.farm.people[cover.person]
    first = next(iter(desk.farm.people))
    if cover.person != first and not any(WEEKDAYS[day.weekday()] in person.days for day in days):
        desk.warnings.append(f"{cover.person} is not on duty on any of these days, so nothing is handed over.")
    away = [day for day in days if cover_on(cover.standin, day, covers_of(effective(desk.entries)))]
    if away:
        desk.warnings.append(f"{cover.standin} is away too on {say_day(away[0])}; `traywarden covers` shows it.")


def cover_data(wanted: StandIn) -> dict[str, Any]:
    """Return a cover as its entry keeps it."""
    return {
        "person": wanted.person,
        "standin": wanted.standin,
        "from": wanted.from_on.isoformat(),
        "to": wanted.to_on.isoformat(),
        "note": wanted.note,
    }


def cover_deed(desk: Desk, name: str, first: str, last: str, *, standin: str | None = None, note: str = "") -> Deed:
    """Return what hands somebody's rounds to a stand-in.

    Args:
        desk: The desk.
        name: Who is away.
        first: First day, as a person writes it.
        last: Last day.
        standin: Who stands in; None: the only other person.
        note: Where things are.

    Raises:
        NotFoundError: Nobody has that name.
        RefusedError: Person or days cannot be.
    """
    person = desk.person(name)
    from_on, to_on = _days(desk, first, last)
    wanted = StandIn(
        id=0,
        person=person,
        standin=_standin(desk, person, standin),
        from_on=from_on,
        to_on=to_on,
        note=note.strip(),
        by=desk.by,
        at=desk.now,
    )
    _mind(desk, wanted)
    desk.care.append(f"Tell {wanted.standin} whom to ring: no telephone number is kept here.")
    if not wanted.note:
        desk.care.append("Where are blade, scale, cleaner and keys? Say it with --note; every round repeats it.")
    entry = NewEntry(kind=EntryKind.COVER, at=desk.now, by=desk.by, data=cover_data(wanted))
    days = say_day(from_on) if from_on == to_on else f"{say_day(from_on)} to {say_day(to_on)}"
    said = (
        f"Noted: {wanted.standin} walks {person}'s rounds, {days}, and is told each move from its beginning.",
        f"At the first round after that {person} is told who did what, and what is still open.",
    )
    return Deed(entries=(entry,), said=said)


def end_cover_deed(desk: Desk, name: str) -> Deed:
    """Return what ends the cover that runs today, or the next to come.

    Raises:
        NotFoundError: There is none.
    """
    person = desk.person(name)
    today = local_day(desk.now, desk.farm.zone)
    known = [each for each in covers_of(effective(desk.entries)) if each.person == person and each.to_on >= today]
    if not known:
        raise NotFoundError(f"nobody stands in for {person}, now or later; `traywarden covers --all` shows all")
    ended = min(known, key=lambda each: each.from_on)
    if ended.from_on >= today:
        data: dict[str, Any] = {"why": "called off"}
        entry = NewEntry(kind=EntryKind.WITHDRAWN, at=desk.now, by=desk.by, data=data, corrects=ended.id)
    else:
        data = {**cover_data(ended), "to": (today - timedelta(days=1)).isoformat()}
        entry = NewEntry(kind=EntryKind.COVER, at=ended.at, by=desk.by, data=data, corrects=ended.id)
    says = f"Noted: {person} walks again from today; {ended.standin} stands in no more."
    return Deed(entries=(entry,), said=(says,))
