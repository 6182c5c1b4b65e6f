"""All flags of a farm's readings, as they come or all at once: by their own series and by their neighbours; pure.

The two ways give the same for readings that are never more than a quarter of an hour behind the newest (and, within
one series, come in order); tests/monitor/test_flagger.py proves it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import median

import numpy as np

from monitor.crosscheck import SPAN, Array
from monitor.farm import Farm, Sensor
from monitor.flagging import FRESH, LIMITS, Kept, SeriesFlags, flagged, is_late, remembered
from monitor.loadcell import BIN_MS
from monitor.neighbours import Group, Held, Odd, groups_of, half_hour
from monitor.readings import Block, Doubt, Flag

BY_NEIGHBOURS = int(Doubt.DISAGREES | Doubt.LAMP_WARMED | Doubt.UNSURE)
_OUT_OF_SPAN = int(Doubt.OUT_OF_SPAN)
_PASS, _SUSPECT, _FAIL = int(Flag.PASS), int(Flag.SUSPECT), int(Flag.FAIL)
_OPEN = 8  # half hours of a series that late readings may still change
_VERDICTS = 4_000
HISTORY_MS = (SPAN + 2) * BIN_MS
"""So far back readings say what is usual. [ms]"""

Cells = dict[int, dict[int, float]]
"""By half hour: its readings by instant."""


class _HalfHours:
    """The middles of one series' half hours, as far back as they are asked for."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self._middles, self._places = np.full(SPAN, np.nan), np.full(SPAN, -1, dtype=np.int64)
        self._open: Cells = {}
        self._changed: set[int] = set()
        self._newest = -1

    def add(self, cells: Cells) -> None:
        """Take readings; those of a half hour that is long over are left out."""
        for place, readings in cells.items():
            if place <= self._newest - _OPEN:
                continue
            self._open.setdefault(place, {}).update(readings)
            self._changed.add(place)
            self._newest = max(self._newest, place)
        if len(self._open) > 2 * _OPEN:
            self._settle()
            self._open = {place: cell for place, cell in self._open.items() if place > self._newest - _OPEN}

    def said(self, at_ms: int) -> float | None:
        """Return the value of an instant, where it is known and not long past."""
        cell = self._open.get(at_ms // BIN_MS)
        return None if cell is None else cell.get(at_ms)

    def _settle(self) -> None:
        """Work out the middles of what has changed."""
        for place in sorted(self._changed):
            self._middles[place % SPAN], self._places[place % SPAN] = median(self._open[place].values()), place
        self._changed.clear()

    def line(self, upto: int, more: Cells) -> Array:
        """Return the middles of the half hours that end with one, with further readings; NaN where none was heard."""
        self._settle()
        asked = np.arange(upto - SPAN + 1, upto + 1)
        found = np.where(self._places[asked % SPAN] == asked, self._middles[asked % SPAN], np.nan)
        for place, readings in more.items():
            if upto - SPAN < place <= upto and place > self._newest - _OPEN:
                found[place - upto - 1] = median({**self._open.get(place, {}), **readings}.values())
        return found


@dataclass(slots=True)
class Pending:
    """What some readings would have the flagger remember, once they are on disk.

    Attributes:
        series: State of the series that spoke.
        cells: Their readings by half hour.
        odd: What was found out by group and half hour.
    """

    series: dict[str, SeriesFlags] = field(default_factory=dict)
    cells: defaultdict[str, Cells] = field(default_factory=lambda: defaultdict(dict))
    odd: dict[tuple[int, int], Odd] = field(default_factory=dict)

    def said(self, sensor: str, at_ms: int) -> float | None:
        """Return what a sensor said at an instant, if that is among them."""
        return self.cells[sensor].get(at_ms // BIN_MS, {}).get(at_ms)


class Flagger:
    """Flags readings as they come; nothing is remembered before ``settle``."""

    def __init__(self, farm: Farm) -> None:
        """Take the farm, for who is held against whom."""
        self._groups = groups_of(farm)
        self._group_of = _group_of(self._groups)
        self._hours: defaultdict[str, _HalfHours] = defaultdict(_HalfHours)
        self._heard = {name for group in self._groups for name in group.heard}
        self._covered = {name for group in self._groups for name in group.covered}
        self._series: dict[str, SeriesFlags] = {}
        self._odd: dict[tuple[int, int], Odd] = {}

    def take(self, sensor: Sensor, reading: Kept, pending: Pending) -> tuple[Kept | None, Kept | None]:
        """Return a reading with its provisional flag, and its forerunner where that is revised now.

        A reading that came before, of the same instant and value, is none: its flag stands.

        Args:
            sensor: Whose it is.
            reading: With the flag and doubt of its value alone (gross range).
            pending: What is to be remembered; grows.
        """
        limits = LIMITS.get(sensor.quantity)
        if limits is None:
            return reading, None
        name, at_ms = sensor.id, reading.at_ms
        state = pending.series.get(name) or self._series.get(name, FRESH)
        if name in self._heard and not reading.doubt & _OUT_OF_SPAN:
            if is_late(state, at_ms) and reading.value in (pending.said(name, at_ms), self._hours[name].said(at_ms)):
                return None, None
            pending.cells[name].setdefault(at_ms // BIN_MS, {})[at_ms] = reading.value
        pending.series[name], kept, revised = flagged(state, reading, limits)
        number = self._group_of.get(name)
        if number is None:
            return kept, revised
        return self._crossed(name, number, kept, pending), revised and self._crossed(name, number, revised, pending)

    def _crossed(self, name: str, number: int, kept: Kept, pending: Pending) -> Kept:
        """Return a reading with what its neighbours say of it."""
        key = (number, half_hour(kept.at_ms))
        odd = self._odd.get(key)
        if odd is None:
            odd = pending.odd.get(key)
        if odd is None:
            odd = pending.odd[key] = self._judge(self._groups[number], key[1], pending)
        return crossed(kept, odd.get(name, Doubt.NONE), is_covered=name in self._covered) if odd else kept

    def _judge(self, group: Group, place: int, pending: Pending) -> Odd:
        """Return what is odd in a group by the half hours up to one."""
        lines = {name: self._hours[name].line(place, pending.cells.get(name, {})) for name in group.heard}
        return Held(group, lines, place - SPAN + 1).odd_now()

    def settle(self, pending: Pending) -> None:
        """Remember what some readings left behind; to be called once they are on disk, and once only."""
        self._series |= pending.series
        for name, cells in pending.cells.items():
            self._hours[name].add(cells)
        self._odd |= pending.odd
        while len(self._odd) > _VERDICTS:
            del self._odd[next(iter(self._odd))]

    def remember(self, block: Block) -> None:
        """Take in readings of the store, as after a start, in order of each series; their flags are what they are."""
        pending = Pending()
        for index, at_ms, value, flag, doubt in _rows(block):
            name = block.sensors[index]
            if name in self._heard and not doubt & _OUT_OF_SPAN:
                pending.cells[name].setdefault(at_ms // BIN_MS, {})[at_ms] = value
            own = Kept(at_ms, value, _PASS if doubt & BY_NEIGHBOURS and flag == _SUSPECT else flag, doubt)
            pending.series[name] = remembered(pending.series.get(name, FRESH), own)
        self.settle(pending)


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


def _rows(block: Block) -> zip[tuple[int, int, float, int, int]]:
    """Return a block's rows as plain numbers."""
    return zip(
        block.sensor_index.tolist(), block.measured_at_ms.tolist(), block.value.tolist(), block.flag.tolist(),
        block.doubt.tolist(), strict=True,
    )  # fmt: skip


def flag_all(block: Block, farm: Farm) -> Block:
    """Return readings in the order of their instants with all flags final, each instant of a series once.

    Args:
        block: Readings in any order, with the flag and doubt of their value alone; of two of one instant the later
            one counts.
        farm: The farm.
    """
    order = np.argsort(block.measured_at_ms, kind="stable")
    once = {(index, at_ms): (value, flag, doubt) for index, at_ms, value, flag, doubt in _rows(block.rows(order))}
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
    asked = set(_keys(fresh))
    return flagged_all.rows(np.flatnonzero([key in asked for key in _keys(flagged_all)]))


def _keys(block: Block) -> list[tuple[str, int]]:
    """Return sensor and instant of each reading."""
    names = (block.sensors[index] for index in block.sensor_index.tolist())
    return list(zip(names, block.measured_at_ms.tolist(), strict=True))


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
        found[place - first] = median(readings.values())
    return found
