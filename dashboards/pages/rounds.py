"""What Rounds shows: what is to be done now, in walking order; what comes next and tomorrow; how the room is; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from alerts.alarms import Alarm, AlarmState
from alerts.answers import short_key
from alerts.findings import Priority, Tick
from alerts.holding import HEAD, held_batches, held_facts
from alerts.nudges import carry_words
from dashboards.facts.rounds import RoundView
from dashboards.pages.justnow import JustNow, just_now
from dashboards.pages.walk import Stop, ahead_words, asks, stops_of
from monitor.amounts import say_list, say_temp, say_time
from monitor.clock import local_day
from monitor.ledger import Entry
from monitor.places import Spot, SpotKind
from monitor.readings import Quantity

_OLD = timedelta(minutes=90)
"""A reading older than this says nothing of the room as it is. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """An alarm that is wrong now, in one line.

    Attributes:
        key: Its four letters.
        says: What is wrong, and what to do.
        is_urgent: It does not wait.
    """

    key: str
    says: str
    is_urgent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBatch:
    """A batch on hold.

    Attributes:
        opens: Its page.
        says: Which, where, and why.
    """

    opens: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundsPage:
    """The round that is to be walked now.

    Attributes:
        says: Weekday, date and time.
        hold_head: What is said over what is on hold.
        held: What is on hold, said first.
        wrong: What is wrong now, the most pressing first.
        just: What was answered in the last minute.
        count: How many lines there are to do.
        water: How much water to carry; empty: none.
        stops: The way, place by place.
        early: What may be done already, place by place.
        next_at: When the next round is.
        next_lines: What comes then.
        tomorrow_lines: What comes tomorrow.
        room: How the room is, in one sentence; empty: nothing measures it.
        care: The cautions of all lines, each once.
        nonce: Marks this showing of the page, so that a form sent twice counts once.
        units_g: What a bare number of a weight is counted in.
    """

    says: str
    hold_head: str
    held: tuple[HeldBatch, ...]
    wrong: tuple[Wrong, ...]
    just: tuple[JustNow, ...]
    count: int
    water: str
    stops: tuple[Stop, ...]
    early: tuple[Stop, ...]
    next_at: str
    next_lines: tuple[str, ...]
    tomorrow_lines: tuple[str, ...]
    room: str
    care: tuple[str, ...]
    nonce: str
    units_g: str


def build_rounds(
    view: RoundView, *, alarms: Iterable[Alarm], entries: Sequence[Entry], person: str | None, nonce: str
) -> RoundsPage:
    """Return the page of one moment.

    Args:
        view: What is asked for now, next and tomorrow.
        alarms: All alarms.
        entries: The whole ledger, in the order of recording.
        person: Who looks.
        nonce: Marks this showing.
    """
    tick = view.tick
    farm, now = tick.farm, tick.now
    found = asks(view.due, tick)
    water = sum(task.water_ml for task in view.due)
    held = held_batches(tick)
    wrong = wrong_lines(alarms)
    return RoundsPage(
        says=say_time(now, farm.zone),
        hold_head=HEAD,
        held=tuple(HeldBatch(opens=f"/batch/{batch.id}", says=held_facts(batch, tick)) for batch in held),
        wrong=wrong,
        just=just_now(entries, tick, person=person),
        count=len(found),
        water=carry_words(water, farm) if water else "",
        stops=stops_of(found, tick),
        early=stops_of(asks(view.early, tick), tick),
        next_at=_round_words(view.coming_at, tick),
        next_lines=tuple(ahead_words(task, view.later) for task in view.coming),
        tomorrow_lines=tuple(ahead_words(task, view.later) for task in view.tomorrow),
        room=room_words(tick, wrong),
        care=tuple(dict.fromkeys(caution for task in view.due for caution in task.cautions)),
        nonce=nonce,
        units_g="g" if farm.units == "metric" else "oz",
    )


def _round_words(at: datetime, tick: Tick) -> str:
    """Return when a round is: the time alone where it is today."""
    zone = tick.farm.zone
    if local_day(at, zone) == local_day(tick.now, zone):
        return f"{at.astimezone(zone):%H:%M}"
    return say_time(at, zone)


def wrong_lines(alarms: Iterable[Alarm]) -> tuple[Wrong, ...]:
    """Return what is wrong now and worth a line, the most pressing first."""
    states = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    active = [alarm for alarm in alarms if alarm.state in states and alarm.priority > Priority.LOW]
    active.sort(key=lambda alarm: (-int(alarm.priority), alarm.first_at))
    return tuple(
        Wrong(
            key=short_key(alarm.key),
            says=f"{alarm.finding.cause} {alarm.finding.action}",
            is_urgent=alarm.priority is Priority.URGENT,
        )
        for alarm in active
    )


def room_words(tick: Tick, wrong: Sequence[Wrong]) -> str:
    """Return how the room is, in one sentence; nothing is said of sensors where a farm has none."""
    if not tick.farm.sensors:
        return ""
    rooms = [spot for spot in tick.farm.places if spot.kind is SpotKind.ROOM]
    said = [words for room in rooms if (words := _air_words(room, tick))]
    if wrong:
        many = f"{len(wrong)} things are" if len(wrong) > 1 else "One thing is"
        return f"{many} wrong now{': ' + '; '.join(said) if said else ''}."
    if not said:
        return "Nothing is known to be wrong, but no sensor has spoken lately."
    return f"All is well: {'; '.join(said)}."


def _air_words(room: Spot, tick: Tick) -> str:
    """Return a room's air in few words, by the middle of its sensors; empty where none spoke lately."""
    words = []
    ages = []
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        found = [
            reading
            for sensor in tick.farm.sensors.values()
            if sensor.quantity is quantity and not sensor.under_cover
            and tick.farm.places.is_within(sensor.spot, room.id)
            and (reading := tick.live.latest(sensor.id)) is not None
            and tick.now - reading.measured_at <= _OLD
        ]  # fmt: skip
        if found:
            middle = median(reading.value for reading in found)
            is_temp = quantity is Quantity.TEMPERATURE
            words.append(say_temp(middle, tick.farm.units) if is_temp else f"{middle:.0f} % humidity")
            ages.append(max(reading.measured_at for reading in found))
    if not words:
        return ""
    minutes = int((tick.now - max(ages)) / timedelta(minutes=1))
    age = "just now" if minutes < 1 else f"{minutes} min ago"
    return f"{room.name} {say_list(words)}, {age}"
