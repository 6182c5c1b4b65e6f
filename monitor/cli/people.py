"""``traywarden cover`` and ``covers``: whose rounds another walks, from which day to which."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import click

from alerts.covering import summary_lines
from alerts.derive import open_tasks
from alerts.tasks import is_due
from dashboards.facts.covers import cover_data, covers_facts
from monitor.amounts import say_day
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.covers import StandIn, cover_on, covers_of
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


@click.command(epilog="Example: traywarden cover ines fri sun --by tomek --note 'blade in the left drawer'")
@click.argument("name")
@click.argument("first", metavar="FROM", required=False)
@click.argument("last", metavar="TO", required=False)
@click.option("--by", "standin", metavar="STANDIN", help="Who walks the rounds meanwhile; else the only other person.")
@click.option("--note", default="", help="Where things are, and what else the stand-in should know.")
@click.option("--end", is_flag=True, help="NAME is back: the cover that runs, or is to come, ends.")
@click.option("--entered-by", "entered_by", envvar="TRAYWARDEN_BY", metavar="WHO", help="Who enters this; else NAME.")
@json_option
@click.pass_obj
def cover(
    context: Context,
    name: str,
    first: str | None,
    last: str | None,
    standin: str | None,
    note: str,
    end: bool,
    entered_by: str | None,
) -> None:
    """Hand the rounds of NAME to a stand-in from one day to another, both included, in fuller words."""
    desk = Desk(context, entered_by or name, None)
    person = desk.person(name)
    if end:
        _end(desk, person)
        return
    if first is None:
        raise RefusedError(f"from which day to which? E.g. traywarden cover {name} fri sun")
    from_on, to_on = _days(desk, first, last or first)
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
    said = [
        f"Noted: {wanted.standin} walks {person}'s rounds, {days}, and is told each move from its beginning.",
        f"At the first round after that {person} is told who did what, and what is still open.",
    ]
    desk.write([entry], said)


def _end(desk: Desk, person: str) -> None:
    """End the cover that runs today, or the next to come.

    Raises:
        NotFoundError: There is none.
    """
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
    desk.write([entry], [f"Noted: {person} walks again from today; {ended.standin} stands in no more."])


@click.command(epilog="Example: traywarden covers --summary ines")
@click.option("--all", "everything", is_flag=True, help="Also those that are over.")
@click.option("--summary", "summary", metavar="NAME", help="Who did what while NAME was away, and what is open now.")
@json_option
@click.pass_obj
def covers(context: Context, everything: bool, summary: str | None) -> None:
    """List who stands in for whom, now and later; or say what happened while somebody was away."""
    desk = Desk(context, None, None)
    today = local_day(desk.now, desk.farm.zone)
    known = covers_of(effective(desk.entries))
    if summary is not None:
        _summarise(context, desk, summary, [each for each in known if each.from_on <= today])
        return
    shown = [each for each in known if everything or each.to_on >= today]
    if context.as_json:
        context.echo_json(covers_facts(shown, today))
        return
    if not shown:
        context.echo("Nobody stands in for anybody, now or later.")
    for each in shown:
        when = "now" if each.is_on(today) else "over" if each.to_on < today else "to come"
        note = f": {each.note}" if each.note else ""
        days = f"{say_day(each.from_on)} to {say_day(each.to_on)}"
        context.echo(f"{each.standin} for {each.person}, {days} ({when}, entry {each.id}){note}")


def _summarise(context: Context, desk: Desk, name: str, known: list[StandIn]) -> None:
    """Say what happened while somebody was away the last time."""
    person = desk.person(name)
    mine = [each for each in known if each.person == person]
    if not mine:
        raise NotFoundError(f"nobody has stood in for {person} so far")
    tick = tick_of(context, desk.now)
    due = [task for task in open_tasks(tick) if is_due(task, desk.now)]
    lines = summary_lines(mine[-1], due, tick)
    if context.as_json:
        facts = {"schema": "traywarden.cover-summary/1", **cover_data(mine[-1]), "lines": lines}
        context.echo_json({**facts, "open": [task.key for task in due]})
        return
    for line in lines:
        context.echo(line)
