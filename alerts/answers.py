"""What people said to alarms: heard, put aside for a time, a sensor out of service; read from the ledger; pure."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from alerts.alarms import Alarm, AlarmState, Happening, move
from monitor.ledger import Entry, EntryKind, effective

_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_STILL_WRONG = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)


def short_key(text: str) -> str:
    """Return four letters and digits by which a person names something with a long key."""
    number = zlib.crc32(text.encode())
    letters = ""
    for _ in range(4):
        number, rest = divmod(number, len(_LETTERS))
        letters += _LETTERS[rest]
    return letters


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One word of a person on an alarm or a sensor.

    Attributes:
        at: When it was said.
        by: Who said it.
        until: Until when it holds; None: until the alarm changes, or until it is taken back.
        why: The reason given.
    """

    at: datetime
    by: str
    until: datetime | None = None
    why: str = ""

    def holds(self, now: datetime) -> bool:
        """Tell whether it holds at an instant."""
        return self.at <= now and (self.until is None or now < self.until)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What people said, the newest word of each kind.

    Attributes:
        heard: By alarm key: somebody is on it.
        aside: By alarm key: put aside for a time.
        resting: By sensor id: out of service.
        accepted: By root of findings: a room that does not reach a band is lived with.
    """

    heard: Mapping[str, Answer] = field(default_factory=dict)
    aside: Mapping[str, Answer] = field(default_factory=dict)
    resting: Mapping[str, Answer] = field(default_factory=dict)
    accepted: Mapping[str, Answer] = field(default_factory=dict)


def answers_of(entries: Iterable[Entry]) -> Answers:
    """Return what people said, from all entries of the ledger."""
    heard: dict[str, Answer] = {}
    aside: dict[str, Answer] = {}
    resting: dict[str, Answer] = {}
    accepted: dict[str, Answer] = {}
    for entry in effective(entries):
        until = entry.data.get("until")
        answer = Answer(
            at=entry.at,
            by=entry.by,
            until=datetime.fromisoformat(str(until)) if until else None,
            why=str(entry.data.get("why") or ""),
        )
        alarm, sensor = str(entry.data.get("alarm", "")), str(entry.data.get("sensor", ""))
        if entry.kind is EntryKind.HEARD:
            heard[alarm] = answer
        elif entry.kind is EntryKind.SHELVED:
            aside[alarm] = answer
        elif entry.kind is EntryKind.UNSHELVED:
            aside.pop(alarm, None)
        elif entry.kind is EntryKind.ACCEPTED:
            accepted[str(entry.data.get("root", ""))] = answer
        elif entry.kind is EntryKind.OUT_OF_SERVICE:
            resting[sensor] = answer
        elif entry.kind is EntryKind.IN_SERVICE:
            resting.pop(sensor, None)
    return Answers(heard=heard, aside=aside, resting=resting, accepted=accepted)


def answered(alarms: Mapping[str, Alarm], found: Iterable[str], answers: Answers, now: datetime) -> dict[str, Alarm]:
    """Return all alarms after what people said of them.

    Out of service goes before accepted, that before put aside, and that before heard. What was put aside comes back as
    unanswered when its time is over and its condition still holds.

    Args:
        alarms: All alarms after a look.
        found: Keys of the findings of that look.
        answers: What people said.
        now: The instant.
    """
    present = set(found)
    return {key: _after(alarm, key in present, answers, now) for key, alarm in alarms.items()}


def _after(alarm: Alarm, is_found: bool, answers: Answers, now: datetime) -> Alarm:
    """Return one alarm after what people said of it."""
    rest = answers.resting.get(alarm.finding.sensor or "")
    aside = answers.aside.get(alarm.key)
    accepted = answers.accepted.get(alarm.finding.root)
    wanted = None
    if rest is not None and rest.holds(now):
        wanted = AlarmState.OUT_OF_SERVICE
    elif accepted is not None and accepted.holds(now):
        wanted = AlarmState.SUPPRESSED
    elif aside is not None and aside.holds(now):
        wanted = AlarmState.SHELVED
    if wanted is not None:
        if alarm.state is wanted or (alarm.state is AlarmState.NORMAL and not is_found):
            return alarm
        return replace(alarm, state=wanted, last_change_at=now, gone_since=None)
    if alarm.state in (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE):
        state = AlarmState.UNACKNOWLEDGED if is_found else AlarmState.NORMAL
        return replace(alarm, state=state, last_change_at=now, first_at=now if is_found else alarm.first_at)
    heard = answers.heard.get(alarm.key)
    if heard is not None and alarm.state in _STILL_WRONG and heard.at >= alarm.first_at:
        return move(alarm, Happening.SEEN, now)
    return alarm


def say_state(alarm: Alarm, answers: Answers, until: str = "") -> str:
    """Return an alarm's state as a grower reads it."""
    heard = answers.heard.get(alarm.key)
    aside = answers.aside.get(alarm.key)
    rest = answers.resting.get(alarm.finding.sensor or "")
    word = {AlarmState.SHELVED: aside, AlarmState.SUPPRESSED: answers.accepted.get(alarm.finding.root)}
    answer = word.get(alarm.state, rest)
    why = answer.why if answer else ""
    reason = f" ({why})" if why else ""
    return {
        AlarmState.NORMAL: "all right",
        AlarmState.UNACKNOWLEDGED: "wrong now, nobody has answered",
        AlarmState.ACKNOWLEDGED: f"wrong now, {heard.by} is on it" if heard else "wrong now, somebody is on it",
        AlarmState.RETURNED_UNACKNOWLEDGED: "back to normal, nobody has looked",
        AlarmState.SHELVED: f"put aside{until}{reason}",
        AlarmState.SUPPRESSED: f"accepted as it is{until}{reason}",
        AlarmState.OUT_OF_SERVICE: f"its sensor is out of service{until}{reason}",
    }[alarm.state]
