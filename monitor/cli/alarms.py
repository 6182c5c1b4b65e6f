"""``traywarden alarms``, ``heard``, ``shelve``, ``accept``, ``out-of-service``: what is wrong, and a word on it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import click

from alerts.alarms import Alarm, AlarmState
from alerts.alarms_sql import SqlAlarms
from alerts.answers import Answers, answers_of, say_state, short_key
from alerts.rules.conditions import STAYS
from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import EntryKind, NewEntry
from monitor.timewords import read_instant

_RECENT = timedelta(days=2)
_LONGEST = timedelta(days=7)
_LONGEST_ACCEPTED = timedelta(days=200)


def _known(context: Context) -> dict[str, Alarm]:
    """Return all alarms that are not plainly normal, or were not until lately, by their four letters."""
    now = context.clock()
    alarms = SqlAlarms(context.ledger().engine).load().values()
    shown = [each for each in alarms if each.state is not AlarmState.NORMAL or now - each.last_change_at <= _RECENT]
    ordered = sorted(shown, key=lambda alarm: (-int(alarm.priority), alarm.first_at))
    return {short_key(alarm.key): alarm for alarm in ordered}


def _named(context: Context, key: str) -> Alarm:
    """Return the alarm that a person names.

    Raises:
        NotFoundError: There is none of these letters.
    """
    known = {letters.casefold(): alarm for letters, alarm in _known(context).items()}
    if key.casefold() not in known:
        there = (
            f"there are: {', '.join(_known(context))}" if known else "nothing is wrong, nor was in the last two days"
        )
        raise NotFoundError(f"there is no alarm {key!r}; {there}")
    return known[key.casefold()]


def _until_words(alarm: Alarm, answers: Answers, context: Context) -> str:
    """Return until when an alarm is put aside, or its sensor out of service."""
    word = {
        AlarmState.SHELVED: answers.aside.get(alarm.key),
        AlarmState.SUPPRESSED: answers.accepted.get(alarm.finding.root),
    }
    answer = word.get(alarm.state) or answers.resting.get(alarm.finding.sensor or "")
    return f" until {say_time(answer.until, context.farm().zone)}" if answer and answer.until else ""


def alarm_json(letters: str, alarm: Alarm, answers: Answers, context: Context) -> dict[str, Any]:
    """Return an alarm as the documented JSON; the state is the standard's."""
    finding = alarm.finding
    return {
        "key": letters,
        "alarm": alarm.key,
        "state": alarm.state.value,
        "says": say_state(alarm, answers, _until_words(alarm, answers, context)),
        "priority": alarm.priority.name.lower(),
        "spot": finding.spot,
        "batch": finding.batch,
        "sensor": finding.sensor,
        "first_at": alarm.first_at.isoformat(),
        "last_change_at": alarm.last_change_at.isoformat(),
        "cause": finding.cause,
        "consequence": finding.consequence,
        "action": finding.action,
    }


@click.command(epilog="Example: traywarden alarms")
@json_option
@click.pass_obj
def alarms(context: Context) -> None:
    """List what is wrong in the room, or was in the last two days, each with its four letters."""
    answers = answers_of(context.ledger().entries())
    known = _known(context)
    if context.as_json:
        rows = [alarm_json(letters, alarm, answers, context) for letters, alarm in known.items()]
        context.echo_json({"schema": "traywarden.alarms/1", "alarms": rows})
        return
    zone = context.farm().zone
    if not known:
        context.echo("Nothing is wrong, nor was in the last two days.")
    for letters, alarm in known.items():
        state = say_state(alarm, answers, _until_words(alarm, answers, context))
        context.echo(f"{letters}  {alarm.finding.rule.capitalize()}: {state}, since {say_time(alarm.first_at, zone)}")
        context.echo(f"      {alarm.finding.cause}")
        if alarm.is_active:
            context.echo(f"      {alarm.finding.consequence} {alarm.finding.action}")
    if any(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in known.values()):
        first = next(letters for letters, alarm in known.items() if alarm.state is AlarmState.UNACKNOWLEDGED)
        context.echo(f"I am on it: traywarden heard {first}   Not now: traywarden shelve {first} --for 4h --why ...")


@click.command(epilog="Example: traywarden heard K7QM   (or: traywarden heard all)")
@click.argument("keys", nargs=-1, required=True)
@common
@click.pass_obj
def heard(context: Context, keys: tuple[str, ...], at: str | None, by: str | None) -> None:
    """Say that you have heard of what is wrong, and are on it."""
    desk = Desk(context, by, at)
    if len(keys) == 1 and keys[0].casefold() == "all":
        open_ = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
        chosen = [alarm for alarm in _known(context).values() if alarm.state in open_]
    else:
        chosen = [_named(context, key) for key in keys]
    if not chosen:
        context.echo("Nothing waits for an answer.")
        return
    entries = [NewEntry(kind=EntryKind.HEARD, at=desk.at, by=desk.by, data={"alarm": alarm.key}) for alarm in chosen]
    desk.write(
        entries, [f"Noted: {desk.by} is on it: {alarm.finding.rule}, {_place(desk, alarm)}." for alarm in chosen]
    )


def _place(desk: Desk, alarm: Alarm) -> str:
    """Return where an alarm is."""
    return desk.farm.places.name(alarm.finding.spot)


def _end(context: Context, said: str, now: datetime, longest: timedelta = _LONGEST) -> datetime:
    """Return the instant until which something is put aside: a span like 4h or 2d, or a time.

    Raises:
        RefusedError: It lies behind, or further ahead than the longest.
    """
    spans = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}
    text = said.strip().casefold()
    if text[-1:] in spans and text[:-1].isdigit():
        end = now + int(text[:-1]) * spans[text[-1]]
    else:
        end = read_instant(said, now=now, zone=context.farm().zone, ahead=True)
    if not now < end <= now + longest:
        raise RefusedError(f"{said!r} is no time within the next {longest.days} days; give e.g. 4h, 2d or 'fri 17:00'")
    return end


@click.command(epilog="Example: traywarden shelve K7QM --for 4h --why 'door open for cleaning'")
@click.argument("key")
@click.option("--for", "span", metavar="SPAN", help="For how long: 90m, 4h, 2d, or until 'fri 17:00'; 7 days at most.")
@click.option("--why", default="", help="Why; needed.")
@click.option("--end", "ends", is_flag=True, help="Take it back: count it again.")
@common
@click.pass_obj
def shelve(context: Context, key: str, span: str | None, why: str, ends: bool, at: str | None, by: str | None) -> None:
    """Put an alarm aside for a time, with a reason; it comes back by itself if it is still wrong then."""
    desk = Desk(context, by, at)
    alarm = _named(context, key)
    if ends:
        entry = NewEntry(kind=EntryKind.UNSHELVED, at=desk.at, by=desk.by, data={"alarm": alarm.key})
        desk.write([entry], [f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, counts again."])
        return
    if span is None or not why.strip():
        raise RefusedError("for how long, and why? Give e.g. --for 4h --why 'door open for cleaning'")
    end = _end(context, span, desk.at)
    data = {"alarm": alarm.key, "until": end.isoformat(), "why": why.strip()}
    entry = NewEntry(kind=EntryKind.SHELVED, at=desk.at, by=desk.by, data=data)
    when = say_time(end, desk.farm.zone)
    desk.write([entry], [f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, is put aside until {when}."])


@click.command(epilog="Example: traywarden accept K7QM --until 2027-03-15 --why 'the cellar is cold in winter'")
@click.argument("key")
@click.option("--until", metavar="DATE", help="Until when: 2027-03-15, 60d; 200 days at most.")
@click.option("--why", default="", help="Why, if you like.")
@click.option("--end", "ends", is_flag=True, help="Take it back: tell it again.")
@common
@click.pass_obj
def accept(context: Context, key: str, until: str | None, why: str, ends: bool, at: str | None, by: str | None) -> None:
    """Live with a room that does not reach a band: not told again until a date, unless it gets worse."""
    desk = Desk(context, by, at)
    alarm = _named(context, key)
    if not alarm.finding.rule.startswith(STAYS):
        raise RefusedError(
            f"{alarm.finding.rule!r} can be put aside, not accepted: traywarden shelve {key} --for 2d --why ..."
        )
    data: dict[str, Any] = {"root": alarm.finding.root}
    if ends:
        entry = NewEntry(kind=EntryKind.ACCEPTED, at=desk.at, by=desk.by, data={**data, "until": desk.at.isoformat()})
        desk.write([entry], [f"Noted: {alarm.finding.rule} is told again."])
        return
    if until is None:
        raise RefusedError("until when? Give e.g. --until 60d or --until 2027-03-15")
    end = _end(context, until, desk.at, _LONGEST_ACCEPTED)
    entry = NewEntry(
        kind=EntryKind.ACCEPTED, at=desk.at, by=desk.by, data={**data, "until": end.isoformat(), "why": why.strip()}
    )
    when = say_time(end, desk.farm.zone)
    desk.write([entry], [f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, is accepted until {when}."])


@click.command(
    "out-of-service", epilog="Example: traywarden out-of-service air-2 --until 'fri 17:00' --why 'battery ordered'"
)
@click.argument("sensor")
@click.option("--until", metavar="WHEN", help="Until when: 2d, 'fri 17:00'; 7 days at most.")
@click.option("--why", default="", help="Why; needed.")
@click.option("--back", is_flag=True, help="It is back in service.")
@common
@click.pass_obj
def out_of_service(
    context: Context, sensor: str, until: str | None, why: str, back: bool, at: str | None, by: str | None
) -> None:
    """Take a sensor out of service for a time: what it shows raises nothing meanwhile."""
    desk = Desk(context, by, at)
    found = desk.sensor(sensor)
    if back:
        entry = NewEntry(kind=EntryKind.IN_SERVICE, at=desk.at, by=desk.by, data={"sensor": sensor})
        desk.write([entry], [f"Noted: {sensor} is back in service."])
        return
    if until is None or not why.strip():
        raise RefusedError("until when, and why? Give e.g. --until 2d --why 'battery ordered'")
    end = _end(context, until, desk.at)
    data = {"sensor": sensor, "until": end.isoformat(), "why": why.strip()}
    entry = NewEntry(kind=EntryKind.OUT_OF_SERVICE, at=desk.at, by=desk.by, data=data)
    desk.care.append(f"Nobody watches the {found.quantity.value} there meanwhile.")
    desk.write([entry], [f"Noted: {sensor} is out of service until {say_time(end, desk.farm.zone)}."])
