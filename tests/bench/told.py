"""What would have been told in a SIMULATED week: by the rules as they are, and by a plain script with fixed limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.derive import open_tasks
from alerts.findings import Priority, Tick
from alerts.nudges import tellings
from alerts.replay import Came, Replay
from alerts.rounds import next_round, rounds_of_day
from alerts.tasks import TaskKind
from collectors.pipeline import CLOCK_TOLERANCE_S, judge_value
from monitor.clock import local_day
from monitor.farm import Farm
from monitor.flagger import Flagger, Pending
from monitor.flagging import Kept
from monitor.fold import fold_as_of
from monitor.light import LIT_FROM
from monitor.live import LiveBuffer
from monitor.places import SpotKind
from monitor.profiles import Profile
from monitor.readings import Block, Doubt, Quantity, from_ms, to_ms
from simulated_feeds.roomweek import RoomWeek

_AT_ONCE = 20  # readings that are stored together
FIRST_LOOK = timedelta(hours=24)
"""The first day of the warm-up is fed, and not looked at."""
FIXED = {Quantity.TEMPERATURE: (18.0, 27.0), Quantity.HUMIDITY: (40.0, 80.0)}
"""What the plain script holds for right, everywhere. Ours. [degC, %RH]"""
_NAMES = {
    Quantity.TEMPERATURE: ("too cold", "too hot"),
    Quantity.HUMIDITY: ("too dry", "too damp"),
    Quantity.LIGHT: ("lamp is off", "lamp is on at night"),
}
FIXED_SILENT = timedelta(minutes=30)
FIXED_AGAIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One piece of news.

    Attributes:
        at: When it came.
        told_at: When it reached the grower: at once where it is urgent, else at the next round.
        rule: Name of the rule, in small letters.
        spot: Place, or None.
        urgent: It was told at once.
        text: A few words.
    """

    at: datetime
    told_at: datetime
    rule: str
    spot: str | None
    urgent: bool
    text: str


@dataclass(frozen=True, slots=True)
class Watched:
    """What one way of watching told in a week, and how many messages that made by local day."""

    told: tuple[Told, ...]
    nudges: Counter[date]


def told_at(came: Came, farm: Farm) -> datetime:
    """Return when news reaches the grower."""
    said = getattr(came, "told_at", None)
    if isinstance(said, datetime):
        return said
    return came.at if came.news.priority is Priority.URGENT else next_round(farm, came.at)


def rule_of(came: Came) -> str:
    """Return the name of the rule that found it."""
    return str(getattr(came.news, "rule", None) or came.news.title.split(":")[0]).lower()


@dataclass(frozen=True, slots=True)
class Arrived:
    """Readings as the pipeline stores them, in the order in which they came."""

    block: Block
    arrival_ms: NDArray[np.int64]


def flagged_readings(week: RoomWeek) -> Arrived:
    """Return a week's readings with time, flag and doubt as the pipeline gives them, revised ones among them."""
    said, farm = week.said, week.farm
    ahead = said.measured_at_ms > said.arrival_ms + int(CLOCK_TOLERANCE_S * 1000)
    behind = said.measured_at_ms < to_ms(farm.records_from)
    stamps = np.where(ahead | behind, said.arrival_ms, said.measured_at_ms).tolist()
    wrong = np.where(ahead, int(Doubt.CLOCK_AHEAD), np.where(behind, int(Doubt.CLOCK_BEHIND), 0)).tolist()
    sensors = [farm.sensors[name] for name in said.sensors]
    flagger, pending = Flagger(farm), Pending()
    rows: list[tuple[int, int, float, int, int]] = []
    came: list[int] = []
    for number, (arrival, index, at_ms, value, odd) in enumerate(
        zip(said.arrival_ms.tolist(), said.sensor.tolist(), stamps, said.value.tolist(), wrong, strict=True)
    ):
        judged = judge_value(sensors[index], value)
        if judged is None:
            continue
        kept = Kept(at_ms, judged[0], int(judged[1]), int(judged[2]) | odd)
        found = [each for each in reversed(flagger.take(sensors[index], kept, pending)) if each is not None]
        rows += [(index, *each) for each in found]
        came += [arrival] * len(found)
        if number % _AT_ONCE == 0:
            flagger.settle(pending)
            pending = Pending()
    return Arrived(Block.from_rows(said.sensors, rows), np.array(came, dtype=np.int64))


def by_rules(week: RoomWeek, profiles: Mapping[str, Profile], every: timedelta) -> Watched:
    """Return what the rules as they are would have told, looking at an interval."""
    arrived = flagged_readings(week)
    run = Replay(week.farm, profiles, week.entries, start=week.start)
    end = week.minutes.at(len(week.minutes))
    now, place, found = week.start + FIRST_LOOK, 0, []
    while now < end:
        upto = int(np.searchsorted(arrived.arrival_ms, to_ms(now), side="right"))
        if upto > place:
            run.feed(arrived.block.rows(slice(place, upto)))
            place = upto
        found += [
            Told(
                at=came.at,
                told_at=told_at(came, week.farm),
                rule=rule_of(came),
                spot=came.news.spot,
                urgent=came.news.priority is Priority.URGENT,
                text=came.news.title,
            )
            for came in run.look(now)
        ]
        now += every
    return Watched(tuple(found), _messages(week, profiles, found))


def _messages(week: RoomWeek, profiles: Mapping[str, Profile], told: list[Told]) -> Counter[date]:
    """Return how many messages one grower gets a day: rounds that have something to tell, soaks, urgent news."""
    zone, farm = week.minutes.zone, week.farm
    found = Counter(local_day(each.told_at, zone) for each in told if each.urgent)
    news_at = {each.told_at for each in told if not each.urgent}
    known: set[str] = set()
    end = week.minutes.at(len(week.minutes))
    asked: set[datetime] = set()
    for day in range(len(week.minutes) // 1440 + 1):
        asked |= set(rounds_of_day(farm, week.minutes.first_day + timedelta(days=day)))
    rounds = {at for at in asked if week.start <= at < end}
    soaks = {at for at in _soaks(week, profiles) if week.start <= at < end}
    for at in sorted(rounds | soaks):
        tick = Tick(
            now=at,
            farm=farm,
            profiles=profiles,
            batches=fold_as_of(week.entries, at),
            live=LiveBuffer(),
            watching_since=week.start,
        )
        fresh = tellings(open_tasks(tick), known, tick)
        drains = [each for each in fresh if each.task.kind is TaskKind.DRAIN]
        others = [each for each in fresh if each.task.kind is not TaskKind.DRAIN] if at in rounds else []
        known.update(stage for each in (*drains, *others) for stage in each.stages)
        found[local_day(at, zone)] += len(drains) + bool(others or at in news_at)
    return found


def _soaks(week: RoomWeek, profiles: Mapping[str, Profile]) -> list[datetime]:
    """Return when soaks are to be drained, and when they are asked for again."""
    found = []
    for life in week.lives:
        soak = profiles[life.crop].soak_hours
        if life.soaked is not None and soak is not None:
            usual = week.minutes.at(life.soaked + 60 * soak.usual)
            found += [usual, usual + timedelta(hours=3)]
    return found


def by_fixed_limits(week: RoomWeek, every: timedelta) -> Watched:
    """Return what a plain script tells: at once, and again at most once an hour; raw values, no phases."""
    end = week.minutes.at(len(week.minutes))
    looks = np.arange(to_ms(week.start + FIRST_LOOK), to_ms(end), int(every / timedelta(milliseconds=1)))
    wall = np.minimum(((looks - to_ms(week.start)) // 60_000).astype(np.int64), len(week.minutes) - 1)
    told: list[Told] = []
    for number, name in enumerate(week.said.sensors):
        sensor = week.farm.sensors[name]
        mine = week.said.sensor == number
        arrivals, values = week.said.arrival_ms[mine], week.said.value[mine]
        place = np.searchsorted(arrivals, looks, side="right") - 1
        heard = place >= 0
        newest = np.where(heard, values[np.maximum(place, 0)], np.nan) if len(values) else np.full(len(looks), np.nan)
        since = looks - np.where(heard, arrivals[np.maximum(place, 0)], to_ms(week.start)) if len(values) else looks
        silent = since > FIXED_SILENT / timedelta(milliseconds=1)
        told += _hourly(week, looks, silent, "sensor is silent", sensor.spot)
        if sensor.under_cover and sensor.quantity is not Quantity.TEMPERATURE:
            continue
        low, high = _fixed(week, sensor.spot, sensor.quantity)
        below, above = _NAMES[sensor.quantity]
        if sensor.quantity is Quantity.LIGHT:
            lamp = week.farm.places.lamp(sensor.spot)
            if lamp is None:
                continue
            rack = int(sensor.spot.split("/")[1]) - 1
            planned = week.truth.planned[rack, wall]
            low, high = LIT_FROM[Quantity.LIGHT], LIT_FROM[Quantity.LIGHT]
            told += _hourly(week, looks, planned & (newest < low), below, sensor.spot)
            told += _hourly(week, looks, ~planned & (newest >= high), above, sensor.spot)
            continue
        if week.farm.places[sensor.spot].kind is SpotKind.COLD_STORE:
            below = above = "limit of this place"
        told += _hourly(week, looks, newest < low, below, sensor.spot)
        told += _hourly(week, looks, newest > high, above, sensor.spot)
    told.sort(key=lambda each: each.at)
    return Watched(tuple(told), Counter(local_day(each.told_at, week.minutes.zone) for each in told))


def _fixed(week: RoomWeek, spot: str, quantity: Quantity) -> tuple[float, float]:
    """Return the fixed limits of a sensor: a cold store's own, elsewhere one pair for all."""
    own = week.farm.places[spot].limits.get(quantity)
    if own is not None and own.low is not None and own.high is not None:
        return own.low, own.high
    return FIXED.get(quantity, (0.0, 0.0))


def _hourly(week: RoomWeek, looks: NDArray[np.int64], wrong: NDArray[np.bool_], rule: str, spot: str) -> list[Told]:
    """Return what is told of a condition: at once, and again each hour that it lasts."""
    found = []
    again_ms = FIXED_AGAIN / timedelta(milliseconds=1)
    last = -again_ms
    for at_ms in looks[wrong].tolist():
        if at_ms - last >= again_ms:
            last = at_ms
            at = from_ms(at_ms)
            found.append(Told(at=at, told_at=at, rule=rule, spot=spot, urgent=True, text=f"{rule}: {spot}"))
    return found
