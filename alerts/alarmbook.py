"""The alarms as people see and answer them: which are shown, in which words, and what an answer writes down; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from alerts.alarms import Alarm, AlarmState
from alerts.answers import Answers, say_state, short_key
from alerts.rules.conditions import STAYS
from monitor.amounts import say_time
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import EntryKind, NewEntry
from monitor.timewords import read_instant

RECENT = timedelta(days=2)
"""What is over is shown this long."""
LONGEST = timedelta(days=7)
"""An alarm can be put aside, a sensor be out of service, no longer than this."""
LONGEST_ACCEPTED = timedelta(days=200)
OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
"""States that wait for somebody's word."""


def shown(alarms: Iterable[Alarm], now: datetime) -> dict[str, Alarm]:
    """Return all alarms that are not plainly normal, or were not until lately, by their four letters; worst first."""
    recent = [each for each in alarms if each.state is not AlarmState.NORMAL or now - each.last_change_at <= RECENT]
    ordered = sorted(recent, key=lambda alarm: (-int(alarm.priority), alarm.first_at))
    return {short_key(alarm.key): alarm for alarm in ordered}


def named(known: Mapping[str, Alarm], key: str) -> Alarm:
    """Return the alarm that a person names by its letters.

    Raises:
        NotFoundError: There is none of these letters; those that are there are named.
    """
    by_letters = {letters.casefold(): alarm for letters, alarm in known.items()}
    if key.casefold() not in by_letters:
        there = f"there are: {', '.join(known)}" if known else "nothing is wrong, nor was in the last two days"
        raise NotFoundError(f"there is no alarm {key!r}; {there}")
    return by_letters[key.casefold()]


def until_words(alarm: Alarm, answers: Answers, zone: ZoneInfo) -> str:
    """Return until when an alarm is put aside, or its sensor out of service; empty where it is neither."""
    word = {
        AlarmState.SHELVED: answers.aside.get(alarm.key),
        AlarmState.SUPPRESSED: answers.accepted.get(alarm.finding.root),
    }
    answer = word.get(alarm.state) or answers.resting.get(alarm.finding.sensor or "")
    return f" until {say_time(answer.until, zone)}" if answer and answer.until else ""


def state_words(alarm: Alarm, answers: Answers, zone: ZoneInfo) -> str:
    """Return an alarm's state as a grower reads it."""
    return say_state(alarm, answers, until_words(alarm, answers, zone))


def alarm_json(letters: str, alarm: Alarm, answers: Answers, zone: ZoneInfo) -> dict[str, Any]:
    """Return an alarm as the documented JSON; the state is the standard's."""
    finding = alarm.finding
    return {
        "key": letters,
        "alarm": alarm.key,
        "state": alarm.state.value,
        "says": state_words(alarm, answers, zone),
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


def alarms_facts(known: Mapping[str, Alarm], answers: Answers, zone: ZoneInfo) -> dict[str, Any]:
    """Return the alarms that are shown as the documented JSON."""
    rows = [alarm_json(letters, alarm, answers, zone) for letters, alarm in known.items()]
    return {"schema": "traywarden.alarms/1", "alarms": rows}


def end_of(said: str, now: datetime, zone: ZoneInfo, longest: timedelta = LONGEST) -> datetime:
    """Return the instant until which something is put aside: a span like 4h or 2d, or a time.

    Raises:
        RefusedError: It lies behind, or further ahead than the longest.
    """
    spans = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}
    text = said.strip().casefold()
    if text[-1:] in spans and text[:-1].isascii() and text[:-1].isdigit() and len(text) < 8:
        end = now + int(text[:-1]) * spans[text[-1]]
    else:
        end = read_instant(said, now=now, zone=zone, ahead=True)
    if not now < end <= now + longest:
        raise RefusedError(f"{said!r} is no time within the next {longest.days} days; give e.g. 4h, 2d or 'fri 17:00'")
    return end


def heard_deed(desk: Desk, chosen: Iterable[Alarm]) -> Deed:
    """Return what says that somebody has heard of alarms, and is on it."""
    alarms = list(chosen)
    return Deed(
        entries=tuple(
            NewEntry(kind=EntryKind.HEARD, at=desk.at, by=desk.by, data={"alarm": alarm.key}) for alarm in alarms
        ),
        said=tuple(f"Noted: {desk.by} is on it: {alarm.finding.rule}, {_place(desk, alarm)}." for alarm in alarms),
    )


def _place(desk: Desk, alarm: Alarm) -> str:
    """Return where an alarm is."""
    return desk.farm.places.name(alarm.finding.spot)


def _one(desk: Desk, kind: EntryKind, data: dict[str, Any], said: str) -> Deed:
    """Return a deed of one entry."""
    return Deed(entries=(NewEntry(kind=kind, at=desk.at, by=desk.by, data=data),), said=(said,))


def shelve_deed(desk: Desk, alarm: Alarm, span: str | None, why: str) -> Deed:
    """Return what puts an alarm aside for a time.

    Raises:
        RefusedError: Span or reason is missing, or the span cannot be.
    """
    if not (span or "").strip() or not why.strip():
        raise RefusedError("for how long, and why? Give e.g. --for 4h --why 'door open for cleaning'")
    end = end_of(span or "", desk.at, desk.farm.zone)
    data = {"alarm": alarm.key, "until": end.isoformat(), "why": why.strip()}
    when = say_time(end, desk.farm.zone)
    said = f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, is put aside until {when}."
    return _one(desk, EntryKind.SHELVED, data, said)


def unshelve_deed(desk: Desk, alarm: Alarm) -> Deed:
    """Return what has an alarm count again."""
    said = f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, counts again."
    return _one(desk, EntryKind.UNSHELVED, {"alarm": alarm.key}, said)


def may_be_accepted(alarm: Alarm) -> bool:
    """Tell whether an alarm is of a room that does not reach a band, which one may live with."""
    return alarm.finding.rule.startswith(STAYS)


def _accepted(desk: Desk, alarm: Alarm, letters: str) -> dict[str, Any]:
    """Return what an acceptance names.

    Raises:
        RefusedError: Such an alarm cannot be accepted.
    """
    if not may_be_accepted(alarm):
        raise RefusedError(
            f"{alarm.finding.rule!r} can be put aside, not accepted: traywarden shelve {letters} --for 2d --why ..."
        )
    return {"root": alarm.finding.root}


def accept_deed(desk: Desk, alarm: Alarm, letters: str, until: str | None, why: str) -> Deed:
    """Return what lives with a room as it is until a date.

    Raises:
        RefusedError: Such an alarm cannot be accepted, or the date is missing or cannot be.
    """
    data = _accepted(desk, alarm, letters)
    if not (until or "").strip():
        raise RefusedError("until when? Give e.g. --until 60d or --until 2027-03-15")
    end = end_of(until or "", desk.at, desk.farm.zone, LONGEST_ACCEPTED)
    when = say_time(end, desk.farm.zone)
    said = f"Noted: {alarm.finding.rule}, {_place(desk, alarm)}, is accepted until {when}."
    return _one(desk, EntryKind.ACCEPTED, {**data, "until": end.isoformat(), "why": why.strip()}, said)


def unaccept_deed(desk: Desk, alarm: Alarm, letters: str) -> Deed:
    """Return what has an accepted alarm told again.

    Raises:
        RefusedError: Such an alarm cannot be accepted.
    """
    data = {**_accepted(desk, alarm, letters), "until": desk.at.isoformat()}
    return _one(desk, EntryKind.ACCEPTED, data, f"Noted: {alarm.finding.rule} is told again.")


def rest_deed(desk: Desk, sensor: str, until: str | None, why: str) -> Deed:
    """Return what takes a sensor out of service for a time.

    Raises:
        NotFoundError: There is no such sensor.
        RefusedError: Time or reason is missing, or the time cannot be.
    """
    found = desk.sensor(sensor)
    if not (until or "").strip() or not why.strip():
        raise RefusedError("until when, and why? Give e.g. --until 2d --why 'battery ordered'")
    end = end_of(until or "", desk.at, desk.farm.zone)
    desk.care.append(f"Nobody watches the {found.quantity.value} there meanwhile.")
    said = f"Noted: {sensor} is out of service until {say_time(end, desk.farm.zone)}."
    data = {"sensor": sensor, "until": end.isoformat(), "why": why.strip()}
    return _one(desk, EntryKind.OUT_OF_SERVICE, data, said)


def back_in_service_deed(desk: Desk, sensor: str) -> Deed:
    """Return what brings a sensor back into service.

    Raises:
        NotFoundError: There is no such sensor.
    """
    desk.sensor(sensor)
    return _one(desk, EntryKind.IN_SERVICE, {"sensor": sensor}, f"Noted: {sensor} is back in service.")
