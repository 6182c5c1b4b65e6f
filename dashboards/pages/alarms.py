"""The Alarms page: what is wrong now, what is put aside, and the record, in plain words; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.alarmbook import OPEN, may_be_accepted, shown, state_words
from alerts.alarms import ACTIVE, Alarm, AlarmState
from alerts.answers import Answers, answered, answers_of
from alerts.findings import Priority
from dashboards.pages.plain import upper
from monitor.amounts import say_time
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind, effective

RECORD_FOR = timedelta(days=30)
_RECORD_LINES = 60
_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
_SAID = {
    EntryKind.HEARD: "seen",
    EntryKind.SHELVED: "put aside",
    EntryKind.UNSHELVED: "counts again",
    EntryKind.ACCEPTED: "accepted as it is",
    EntryKind.OUT_OF_SERVICE: "out of service",
    EntryKind.IN_SERVICE: "back in service",
}
SPANS = (("1h", "an hour"), ("4h", "4 hours"), ("12h", "12 hours"), ("1d", "a day"), ("3d", "3 days"), ("7d", "a week"))
LONG_SPANS = (("14d", "2 weeks"), ("30d", "a month"), ("60d", "2 months"), ("120d", "4 months"), ("200d", "200 days"))


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLine:
    """One alarm as the page shows it.

    Attributes:
        key: Its four letters.
        what: The rule, with a capital.
        place: Where, in words.
        state: Where it stands, in a grower's words.
        since: Since when, in words.
        cause: What is seen.
        consequence: What it does.
        action: What to do.
        batch: Batch that it harms; empty: none.
        sensor: The sensor that shows it; empty: none.
        is_urgent: It does not wait for a round.
        is_wrong: It is wrong now.
        waits: It waits for somebody's word.
        may_accept: It is of a room that one may live with.
        back: How it comes back: ``shelf``, ``accepted``, ``rest``, or empty.
    """

    key: str
    what: str
    place: str
    state: str
    since: str
    cause: str
    consequence: str
    action: str
    batch: str
    sensor: str
    is_urgent: bool
    is_wrong: bool
    waits: bool
    may_accept: bool
    back: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """One line of the record.

    Attributes:
        when: When, in words.
        what: What was wrong, or what was said.
        who: Who said it; empty: it is no word of a person.
    """

    when: str
    what: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmsPage:
    """The page.

    Attributes:
        says: How things stand, in one sentence.
        wrong: What is wrong now, worst first.
        over: What came back to normal, nobody has looked.
        aside: What is put aside, accepted, or out of service.
        record: What was, newest first.
        resting: Sensors out of service as (sensor, words).
        sensors: Sensors that can be taken out of service.
        waiting: How many wait for a word.
        spans: For how long something can be put aside, as (span, words).
        long_spans: For how long something can be accepted.
        nonce: Key of this showing of the page.
    """

    says: str
    wrong: tuple[AlarmLine, ...]
    over: tuple[AlarmLine, ...]
    aside: tuple[AlarmLine, ...]
    record: tuple[RecordLine, ...]
    resting: tuple[tuple[str, str], ...]
    sensors: tuple[str, ...]
    waiting: int
    spans: tuple[tuple[str, str], ...]
    long_spans: tuple[tuple[str, str], ...]
    nonce: str


def as_said(alarms: Mapping[str, Alarm], entries: Iterable[Entry], now: datetime) -> dict[str, Alarm]:
    """Return alarms as they stand after all that people said, before the monitor itself has looked again."""
    answers = answers_of(entries)
    found = [key for key, alarm in alarms.items() if alarm.state in ACTIVE or alarm.state in _ASIDE]
    return answered(alarms, found, answers, now)


def build_alarms(
    farm: Farm, alarms: Mapping[str, Alarm], entries: Iterable[Entry], *, now: datetime, nonce: str
) -> AlarmsPage:
    """Return the page at a moment.

    Args:
        farm: The farm.
        alarms: All alarms by key.
        entries: The whole ledger.
        now: The instant.
        nonce: Key of this showing of the page.
    """
    book = list(entries)
    answers = answers_of(book)
    known = shown(as_said(alarms, book, now).values(), now)
    lines = {key: _line(key, alarm, answers, farm) for key, alarm in known.items()}
    wrong = tuple(lines[key] for key, alarm in known.items() if alarm.is_active)
    over = tuple(lines[key] for key, alarm in known.items() if alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED)
    aside = tuple(lines[key] for key, alarm in known.items() if alarm.state in _ASIDE)
    resting = tuple(
        (sensor, f"until {say_time(answer.until, farm.zone)}: {answer.why}" if answer.until else answer.why)
        for sensor, answer in answers.resting.items()
        if answer.holds(now)
    )
    return AlarmsPage(
        says=_says(wrong, over, aside),
        wrong=wrong,
        over=over,
        aside=aside,
        record=_record(farm, alarms, book, now),
        resting=resting,
        sensors=tuple(each for each in farm.sensors if each not in dict(resting)),
        waiting=sum(line.waits for line in lines.values()),
        spans=SPANS,
        long_spans=LONG_SPANS,
        nonce=nonce,
    )


def _says(wrong: tuple[AlarmLine, ...], over: tuple[AlarmLine, ...], aside: tuple[AlarmLine, ...]) -> str:
    """Return how things stand in one sentence."""
    if not wrong:
        more = " Something was; nobody has looked yet." if over else ""
        rest = f" {_count(len(aside))} put aside." if aside else ""
        return f"Nothing is wrong.{more}{rest}"
    return f"{_count(len(wrong))} wrong now."


def _count(number: int) -> str:
    """Return a number of things as the subject of a sentence."""
    return "One thing is" if number == 1 else f"{number} things are"


def _line(key: str, alarm: Alarm, answers: Answers, farm: Farm) -> AlarmLine:
    """Return one alarm as the page shows it."""
    finding = alarm.finding
    back = {AlarmState.SHELVED: "shelf", AlarmState.SUPPRESSED: "accepted", AlarmState.OUT_OF_SERVICE: "rest"}
    return AlarmLine(
        key=key,
        what=upper(finding.rule),
        place=farm.places.name(finding.spot),
        state=state_words(alarm, answers, farm.zone),
        since=say_time(alarm.first_at, farm.zone),
        cause=finding.cause,
        consequence=finding.consequence,
        action=finding.action,
        batch=finding.batch or "",
        sensor=finding.sensor or "",
        is_urgent=alarm.priority is Priority.URGENT,
        is_wrong=alarm.is_active,
        waits=alarm.state in OPEN,
        may_accept=may_be_accepted(alarm),
        back=back.get(alarm.state, ""),
    )


def _record(farm: Farm, alarms: Mapping[str, Alarm], book: list[Entry], now: datetime) -> tuple[RecordLine, ...]:
    """Return what was wrong and what people said of it in the last weeks, newest first."""
    found = [
        (alarm.last_change_at, f"{_named(alarm, farm)}: {_over_words(alarm, farm)}", "")
        for alarm in alarms.values()
        if now - alarm.last_change_at <= RECORD_FOR
    ]
    for entry in effective(book):
        if entry.kind in _SAID and now - entry.at <= RECORD_FOR:
            found.append((entry.at, _said_words(entry, alarms, farm), entry.by))
    found.sort(key=lambda each: each[0], reverse=True)
    lines = (RecordLine(when=say_time(at, farm.zone), what=what, who=who) for at, what, who in found)
    return tuple(lines)[:_RECORD_LINES]


def _named(alarm: Alarm, farm: Farm) -> str:
    """Return what an alarm is called, and where it is."""
    return f"{upper(alarm.finding.rule)}, {farm.places.name(alarm.finding.spot)}"


def _over_words(alarm: Alarm, farm: Farm) -> str:
    """Return what became of an alarm when it last changed."""
    since = say_time(alarm.first_at, farm.zone)
    words = {
        AlarmState.NORMAL: f"back to normal; it began {since}",
        AlarmState.RETURNED_UNACKNOWLEDGED: f"back to normal, nobody has looked; it began {since}",
        AlarmState.UNACKNOWLEDGED: "began",
        AlarmState.ACKNOWLEDGED: f"somebody is on it; it began {since}",
        AlarmState.SHELVED: "put aside",
        AlarmState.SUPPRESSED: "accepted as it is",
        AlarmState.OUT_OF_SERVICE: "its sensor is out of service",
    }
    return words[alarm.state]


def _said_words(entry: Entry, alarms: Mapping[str, Alarm], farm: Farm) -> str:
    """Return what a person said, and of what."""
    alarm = alarms.get(str(entry.data.get("alarm", "")))
    what = _named(alarm, farm) if alarm else upper(str(entry.data.get("sensor") or entry.data.get("root") or "Alarm"))
    until, why = entry.data.get("until"), str(entry.data.get("why") or "")
    end = f" until {say_time(datetime.fromisoformat(str(until)), farm.zone)}" if until else ""
    return f"{what.replace('|', ', ')}: {_SAID[entry.kind]}{end}{f' ({why})' if why else ''}"
