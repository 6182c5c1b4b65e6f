"""All flags of a farm's readings, as they come or all at once: by their own series and by their neighbours; pure.

The two ways give the same for readings that are never more than a quarter of an hour behind the newest (and, within
one series, come in order); tests/monitor/test_flagger.py proves it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.crosscheck import A_DAY, NEAR, SPAN, Array
from monitor.farm import Farm, Sensor
from monitor.flagging import FRESH, LIMITS, FlagLimits, Kept, SeriesFlags, States, flagged, is_late, remembered
from monitor.halfhours import HalfHours, Said, middle_of
from monitor.loadcell import BIN_MS
from monitor.neighbours import Group, Held, Odd, groups_of, half_hour, may_have_gone
from monitor.readings import Block, Doubt, Flag

BY_NEIGHBOURS = int(Doubt.DISAGREES | Doubt.LAMP_WARMED | Doubt.UNSURE)
_OUT_OF_SPAN = int(Doubt.OUT_OF_SPAN)
_PASS, _SUSPECT, _FAIL = int(Flag.PASS), int(Flag.SUSPECT), int(Flag.FAIL)
_VERDICTS = 4_000
_NO_GROUP = -1
HISTORY_MS = (SPAN + 2) * BIN_MS
"""So far back readings say what is usual. [ms]"""

Cells = dict[int, dict[int, float]]
"""By half hour: its readings by instant."""


@dataclass(slots=True)
class Pending:
    """What some readings would have the flagger remember, once they are on disk.

    Attributes:
        series: State of the series that spoke, by number.
        heard: What they said, as it came.
        odd: What was found out by group and half hour.
        calm: Half hours of groups in which nothing is odd, each as half hour * number of groups + group.
    """

    series: dict[int, SeriesFlags] = field(default_factory=dict)
    heard: list[Said] = field(default_factory=list)
    odd: dict[tuple[int, int], Odd] = field(default_factory=dict)
    calm: set[int] = field(default_factory=set)
    _by_series: dict[int, dict[int, float]] = field(default_factory=dict)
    _placed: int = 0

    def by_series(self) -> dict[int, dict[int, float]]:
        """Return what each series said, by instant; what came since the last call is put in its place."""
        for number, at_ms, value in self.heard[self._placed :]:
            self._by_series.setdefault(number, {})[at_ms] = value
        self._placed = len(self.heard)
        return self._by_series


class _Usual(NamedTuple):
    """What a reading must keep to pass at once: a step so small, the same for less than that [ms]; and its group."""

    step: float
    flat_ms: int
    group: int


class Flagger:
    """Flags readings as they come; nothing is remembered before ``settle``.

    Series are known by numbers: those that somebody is held against come first, and have half hours.
    """

    def __init__(self, farm: Farm) -> None:
        """Take the farm, for who is held against whom."""
        self._groups = groups_of(farm)
        self._count = len(self._groups)
        group_of = _group_of(self._groups)
        heard = dict.fromkeys(name for group in self._groups for name in group.heard)
        judged = dict.fromkeys(sensor.id for sensor in farm.sensors.values() if sensor.quantity in LIMITS)
        self._numbers = {name: number for number, name in enumerate(heard | judged)}
        self._covered = {name for group in self._groups for name in group.covered}
        self._hours, self._heard = HalfHours(len(heard)), len(heard)
        self._series = States(len(self._numbers))
        self._odd: dict[tuple[int, int], Odd] = {}
        kinds = {(sensor.quantity, group_of.get(sensor.id, _NO_GROUP)) for sensor in farm.sensors.values()}
        usual = {(kind, group): _usual(LIMITS[kind], group) for kind, group in kinds if kind in LIMITS}
        self._usual = [usual[farm.sensors[name].quantity, group_of.get(name, _NO_GROUP)] for name in self._numbers]

    def number(self, sensor: Sensor) -> int | None:
        """Return by which number ``passes`` knows a sensor of the farm; None: its readings are not judged here."""
        return self._numbers.get(sensor.id)

    def passes(self, number: int, at_ms: int, value: float, pending: Pending) -> bool:
        """Tell whether a reading simply passes, as nearly all do, and if so take it; else nothing is done.

        It does if ``take`` would return it as it is, and nothing revised: it is new, moved a little or not yet for long
        the same, and nothing is odd in its group.

        Args:
            number: Of its sensor.
            at_ms: Its instant.
            value: Its value, which passes by itself, without a doubt.
            pending: What is to be remembered; grows.
        """
        state = pending.series.get(number) or self._series.of(number)
        same_since, last_ms, last_value, last_flag, _, _, _, _ = state
        most, flat_ms, group = self._usual[number]
        step = value - last_value
        if not last_flag or at_ms <= last_ms or not -most <= step <= most:
            return False
        if not step and at_ms - same_since >= flat_ms:
            return False
        if group != _NO_GROUP and half_hour(at_ms) * self._count + group not in pending.calm:
            return False
        if number < self._heard:
            pending.heard.append((number, at_ms, value))
        pending.series[number] = (at_ms if step else same_since, at_ms, value, _PASS, 0, last_ms, last_value, last_flag)
        return True

    def take(self, sensor: Sensor, reading: Kept, pending: Pending) -> tuple[Kept | None, Kept | None]:
        """Return a reading with its provisional flag, and its forerunner where that is revised now.

        A reading that came before, of the same instant and value, is none: its flag stands.

        Args:
            sensor: Whose it is; one of the farm's.
            reading: With the flag and doubt of its value alone (gross range).
            pending: What is to be remembered; grows.
        """
        limits = LIMITS.get(sensor.quantity)
        if limits is None:
            return reading, None
        name, at_ms = sensor.id, reading.at_ms
        number = self._numbers[name]
        state = pending.series.get(number) or self._series.of(number)
        if number < self._heard and not reading.doubt & _OUT_OF_SPAN:
            if is_late(state, at_ms) and reading.value in (
                pending.by_series().get(number, {}).get(at_ms),
                self._hours.said(number, at_ms),
            ):
                return None, None
            pending.heard.append((number, at_ms, reading.value))
        pending.series[number], kept, revised = flagged(state, reading, limits)
        group = self._usual[number].group
        if group == _NO_GROUP:
            return kept, revised
        return self._crossed(name, group, kept, pending), revised and self._crossed(name, group, revised, pending)

    def _crossed(self, name: str, group: int, kept: Kept, pending: Pending) -> Kept:
        """Return a reading with what its neighbours say of it."""
        key = (group, half_hour(kept.at_ms))
        odd = self._odd.get(key)
        if odd is None:
            odd = pending.odd.get(key)
        if odd is None:
            odd = pending.odd[key] = self._judge(self._groups[group], key[1], pending)
        if odd:
            return crossed(kept, odd.get(name, Doubt.NONE), is_covered=name in self._covered)
        pending.calm.add(key[1] * self._count + group)
        return kept

    def _judge(self, group: Group, place: int, pending: Pending) -> Odd:
        """Return what is odd in a group by the half hours up to one."""
        if may_have_gone(group, self._lines(group, place + NEAR, pending)):
            lines = self._lines(group, place + np.arange(1 - SPAN, 1), pending)
            return Held(group, lines, place - SPAN + 1).odd(SPAN - 1)
        if not group.is_lit:
            return {}
        day = self._lines(group, place + np.arange(1 - A_DAY, 1), pending)
        return dict.fromkeys(Held(group, day, place - A_DAY + 1).warmed(A_DAY - 1), Doubt.LAMP_WARMED)

    def _lines(self, group: Group, asked: NDArray[np.int64], pending: Pending) -> dict[str, Array]:
        """Return the middles of some half hours by sensor, each of the shape of what is asked."""
        numbers = [self._numbers[name] for name in group.heard]
        found = self._hours.middles(numbers, asked.ravel(), pending.by_series())
        return dict(zip(group.heard, found.reshape(-1, *asked.shape), strict=True))

    def settle(self, pending: Pending) -> None:
        """Remember what some readings left behind; to be called once they are on disk, and once only."""
        self._series.update(pending.series)
        self._hours.add(pending.heard)
        self._odd |= pending.odd
        while len(self._odd) > _VERDICTS:
            del self._odd[next(iter(self._odd))]

    def remember(self, block: Block) -> None:
        """Take in readings of the store, as after a start, in order of each series; their flags are what they are."""
        pending = Pending()
        for index, at_ms, value, flag, doubt in block.plain():
            number = self._numbers.get(block.sensors[index])
            if number is None:
                continue
            if number < self._heard and not doubt & _OUT_OF_SPAN:
                pending.heard.append((number, at_ms, value))
            own = Kept(at_ms, value, _PASS if doubt & BY_NEIGHBOURS and flag == _SUSPECT else flag, doubt)
            pending.series[number] = remembered(pending.series.get(number, FRESH), own)
        self.settle(pending)


def _usual(limits: FlagLimits, group: int) -> _Usual:
    """Return what passes at once: a step that is neither fast nor, there and back, a spike."""
    return _Usual(min(limits.rate_per_min, limits.spike_suspect), limits.flat_suspect_ms, group)


def _group_of(groups: tuple[Group, ...]) -> dict[str, int]:
    """Return by which group each sensor is judged."""
    return {name: number for number, group in enumerate(groups) for name in (*group.judged, *group.covered)}


def crossed(kept: Kept, odd: Doubt, *, is_covered: bool) -> Kept:
    """Return a reading with what its neighbours say of it; warmth under a cover is no more than a doubt.

    A pile that heats up by itself is warmer than its room too, and must not go unseen.
    """
    if not odd:
        return kept
    may_be_right = is_covered and odd & Doubt.UNSURE
    flag = _SUSPECT if kept.flag == _PASS and not may_be_right else kept.flag
    return Kept(kept.at_ms, kept.value, flag, kept.doubt | int(odd))


def flag_all(block: Block, farm: Farm) -> Block:
    """Return readings in the order of their instants with all flags final, each instant of a series once.

    Args:
        block: Readings in any order, with the flag and doubt of their value alone; of two of one instant the later
            one counts.
        farm: The farm.
    """
    order = np.argsort(block.measured_at_ms, kind="stable")
    once = {(index, at_ms): (value, flag, doubt) for index, at_ms, value, flag, doubt in block.rows(order).plain()}
    kept: dict[tuple[int, int], Kept] = {}
    states: dict[int, SeriesFlags] = {}
    series: defaultdict[str, Cells] = defaultdict(dict)
    for (index, at_ms), (value, flag, doubt) in once.items():
        sensor = farm.sensors.get(block.sensors[index])
        now = Kept(at_ms, value, flag, doubt)
        limits = LIMITS.get(sensor.quantity) if sensor is not None else None
        if limits is not None:
            if not doubt & _OUT_OF_SPAN:
                series[block.sensors[index]].setdefault(at_ms // BIN_MS, {})[at_ms] = value
            states[index], now, revised = flagged(states.get(index, FRESH), now, limits)
            if revised is not None:
                kept[index, revised.at_ms] = revised
        kept[index, at_ms] = now
    return _all_crossed(block.sensors, kept, series, farm)


def flag_beside(fresh: Block, stored: Block, farm: Farm) -> Block:
    """Return readings that come all at once, as out of a file, with all their flags, given what is stored already.

    Flags of the stored ones are not changed: they are final.

    Args:
        fresh: Readings in any order, with the flag and doubt of their value alone.
        stored: What the store has of their sensors and those held against them, from HISTORY_MS before on.
        farm: The farm.
    """
    clamped, failed = (stored.doubt & int(doubt) != 0 for doubt in (Doubt.CLAMPED, Doubt.OUT_OF_SPAN))
    by_itself = replace(
        stored,
        flag=np.select([failed, clamped], [_FAIL, _SUSPECT], _PASS).astype(np.int8),
        doubt=(stored.doubt & ~(BY_NEIGHBOURS | int(Doubt.SPIKE))).astype(np.int16),
    )
    flagged_all = flag_all(Block.concat([by_itself, fresh]), farm)
    asked = set(fresh.instants())
    return flagged_all.rows(np.flatnonzero([key in asked for key in flagged_all.instants()]))


def _all_crossed(
    sensors: tuple[str, ...], kept: Mapping[tuple[int, int], Kept], series: Mapping[str, Cells], farm: Farm
) -> Block:
    """Return readings with what their neighbours say of them."""
    groups = groups_of(farm)
    group_of = _group_of(groups)
    places = [place for cells in series.values() for place in cells]
    first, last = min(places, default=0), max(places, default=0)
    lines = {name: _line(cells, first, last) for name, cells in series.items()}
    nothing = np.full(last - first + 1, np.nan)
    held = [Held(group, {name: lines.get(name, nothing) for name in group.heard}, first) for group in groups]
    known: dict[tuple[int, int], Odd] = {}
    rows = []
    for (index, at_ms), each in kept.items():
        name, place, now = sensors[index], half_hour(at_ms) - first, each
        if name in group_of and place >= 0:
            key = (group_of[name], place)
            if key not in known:
                known[key] = held[key[0]].odd(place)
            now = crossed(each, known[key].get(name, Doubt.NONE), is_covered=name in groups[key[0]].covered)
        rows.append((index, *now))
    return Block.from_rows(sensors, rows)


def _line(cells: Cells, first: int, last: int) -> Array:
    """Return the middles of half hours on end; NaN where none was heard."""
    found = np.full(last - first + 1, np.nan)
    for place, readings in cells.items():
        found[place - first] = middle_of(readings.values())
    return found
