"""Follows the readings that other processes store: what has arrived is read, flagged where asked, and handed on."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Protocol

import numpy as np

from monitor.arrivals import Arrival, arrivals_of, spans
from monitor.errors import RejectedRowsError, StoreError
from monitor.farm import Farm, Sensor
from monitor.flagger import Flagger, Pending
from monitor.flagging import Kept
from monitor.live import HELD, LiveBuffer
from monitor.places import room_of
from monitor.readings import Block, Flag, from_ms, to_ms
from monitor.scales import SCALES_FROM, Scales

log = logging.getLogger(__name__)

_AT_ONCE = 50
"""So many sensors' weeks are read back together. Ours."""
_MOST_UNWRITTEN = 500
_TOLD_FOR = timedelta(hours=9)
"""Arrivals are let go of after twelve hours; who did not look for so long reads its rooms back. Ours."""
_MAY_COME_LATE = timedelta(minutes=15)
_AHEAD = timedelta(minutes=5)
_PASS, _NOT_EVALUATED = int(Flag.PASS), int(Flag.NOT_EVALUATED)


class FollowedStore(Protocol):
    """What is asked of the shared store."""

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        ...

    def append_flags(self, block: Block) -> None:
        """Write flag and doubt of readings that are there."""
        ...


class Arrivals(Protocol):
    """What is asked of the table of arrivals."""

    def newest(self) -> int:
        """Return the number of the newest arrival."""
        ...

    def after(self, number: int, rooms: Collection[str]) -> Sequence[Arrival]:
        """Return the arrivals of some rooms behind a number."""
        ...

    def note(self, arrivals: Sequence[Arrival], *, now: datetime) -> None:
        """Write arrivals down."""
        ...


class Follower:
    """Knows up to which arrival the readings of some rooms were taken in, and what flags them."""

    def __init__(
        self,
        farm: Farm,
        store: FollowedStore,
        arrivals: Arrivals,
        *,
        live: LiveBuffer,
        scales: Scales,
        take: Callable[[Block], None],
        judges: bool,
    ) -> None:
        """Take the parts; nothing is followed yet.

        Args:
            farm: The farm.
            store: The shared store.
            arrivals: The table of arrivals.
            live: What the sensors say now; rebuilt for a room that is gained, and asked what is known already.
            scales: The same for scales and air.
            take: Handed each block of what is new.
            judges: Flag what comes by what came before it, and write the flags to the store; one process a room does.
        """
        self._farm, self._store, self._arrivals = farm, store, arrivals
        self._live, self._scales, self._take, self._judges = live, scales, take, judges
        self._room_of = {sensor.id: room_of(sensor.spot) for sensor in farm.sensors.values()}
        self._sensors: dict[str, list[Sensor]] = {}
        for sensor in farm.sensors.values():
            self._sensors.setdefault(self._room_of[sensor.id], []).append(sensor)
        self._flaggers: dict[str, Flagger] = {}
        self._rooms: set[str] = set()
        self._cursor: int | None = None
        self._looked_at: datetime | None = None
        self._ahead: list[Arrival] = []  # what lies in the future by our clock: read once it has come
        self._unwritten: list[Block] = []

    @property
    def rooms(self) -> frozenset[str]:
        """Return the rooms that are followed."""
        return frozenset(self._rooms)

    def begin(self) -> None:
        """Follow every room from here on, where everything until now is known already."""
        self._cursor = self._arrivals.newest()
        self._rooms = set(self._sensors)

    # -- rooms ----------------------------------------------------------------------------------------------

    def gain(self, room: str, now: datetime, *, judged_until: datetime | None = None) -> None:
        """Read a room's readings back from the store, and follow it from here on.

        Args:
            room: The room.
            now: The present.
            judged_until: Until when another process is known to have flagged its readings; None: nobody did lately.

        Raises:
            StoreError: They cannot be read; the room is not followed, and may be gained again.
        """
        cursor = self._arrivals.newest()  # before the reading: what comes meanwhile is read twice, and known
        own = {sensor.id: sensor for sensor in self._sensors.get(room, ())}
        self._flaggers[room] = Flagger(replace(self._farm, sensors=own))
        boundary = now - HELD if judged_until is None else judged_until
        later = [self._read_back(room, names, now, boundary) for names in _slices(tuple(own))]
        if self._cursor is None or not self._rooms:
            self._cursor = cursor
        self._rooms.add(room)
        rest = Block.concat(later)
        self._hand_on(room, rest.rows(np.argsort(rest.measured_at_ms, kind="stable")), now)

    def _read_back(self, room: str, names: Sequence[str], now: datetime, boundary: datetime) -> Block:
        """Build the state of some sensors anew from what was judged, and return what was not."""
        block = self._store.read(names, now - SCALES_FROM, now + _AHEAD)
        early = block.measured_at_ms < to_ms(boundary)
        known = block.rows(np.flatnonzero(early))
        self._flaggers[room].remember(known)
        self._scales.rebuild(names, known)
        self._live.rebuild(names, known.rows(np.flatnonzero(known.measured_at_ms >= to_ms(now - HELD))))
        return block.rows(np.flatnonzero(~early))

    def lose(self, room: str) -> None:
        """Follow a room no longer, and let go of what was held of it."""
        self._rooms.discard(room)
        if not self._rooms:
            self._looked_at = None
        self._flaggers.pop(room, None)
        self._ahead = [each for each in self._ahead if each.room != room]
        names = [sensor.id for sensor in self._sensors.get(room, ())]
        nothing = Block.from_rows((), ())
        self._live.rebuild(names, nothing)
        self._scales.rebuild(names, nothing)

    # -- what comes -----------------------------------------------------------------------------------------

    def step(self, now: datetime) -> int:
        """Take in what has arrived since the last call; return how many readings were new.

        Raises:
            StoreError: It cannot be read now; nothing is missed by calling again.
        """
        self._write_flags(now)
        if self._cursor is None or not self._rooms:
            return 0
        if self._looked_at is not None and now - self._looked_at > _TOLD_FOR:
            judged = self._looked_at - _MAY_COME_LATE  # what came after that look may have been measured before it
            for room in sorted(self._rooms):
                self.gain(room, now, judged_until=judged if self._judges else now)
        arrived = self._arrivals.after(self._cursor, self._rooms)
        if not arrived and self._arrivals.newest() < self._cursor:  # the ledger was restored from a copy, say
            self._cursor = 0
            arrived = self._arrivals.after(0, self._rooms)
        by_room: dict[str, list[Block]] = {}
        asked, limit_ms = spans([*self._ahead, *arrived]), to_ms(now + _AHEAD)
        for span in asked:
            by_room.setdefault(span.room, []).append(self._read(span, now))
        count = sum(self._hand_on(room, Block.concat(blocks), now) for room, blocks in by_room.items())
        self._ahead = [replace(each, from_ms=max(each.from_ms, limit_ms)) for each in asked if each.to_ms >= limit_ms]
        self._cursor = max((each.id for each in arrived), default=self._cursor)
        self._looked_at = now
        return count

    def _read(self, span: Arrival, now: datetime) -> Block:
        """Return what has arrived, as far back as anything here looks, and no further ahead than clocks may differ."""
        own = [sensor.id for sensor in self._sensors.get(span.room, ())]
        asked = own if span.sensors is None else [name for name in own if name in span.sensors]
        start_ms, end_ms = max(span.from_ms, to_ms(now - SCALES_FROM)), min(span.to_ms + 1, to_ms(now + _AHEAD))
        if not asked or start_ms >= end_ms:
            return Block.from_rows((), ())
        return self._store.read(asked, from_ms(start_ms), from_ms(end_ms))

    def _hand_on(self, room: str, block: Block, now: datetime) -> int:
        """Flag what is new of a block, hand it on, and write its flags."""
        news = self._live.news(block, flags=not self._judges)
        if not len(news):
            return 0
        if self._judges:
            judged, odd = self._judged(room, news)
            if len(odd):
                self._unwritten = [*self._unwritten, odd][-_MOST_UNWRITTEN:]
            self._take(judged)
            self._write_flags(now)
        else:
            self._take(news)
        return len(news)

    def _judged(self, room: str, news: Block) -> tuple[Block, Block]:
        """Return readings with their flags, and those of them whose flags the store is to be told."""
        flagger, pending = self._flaggers[room], Pending()
        rows: dict[tuple[int, int], tuple[int, int, float, int, int]] = {}
        stored: dict[tuple[int, int], tuple[int, int]] = {}
        for index, at_ms, value, flag, doubt in news.plain():
            sensor = self._farm.sensors[news.sensors[index]]
            own = Kept(at_ms, value, _PASS if flag == _NOT_EVALUATED else flag, doubt)
            stored[index, at_ms] = (own.flag, doubt)
            for each in reversed(flagger.take(sensor, own, pending)):
                if each is not None:
                    rows[index, each.at_ms] = (index, *each)
        flagger.settle(pending)
        odd = [row for key, row in rows.items() if (row[3], row[4]) != stored.get(key)]
        return Block.from_rows(news.sensors, list(rows.values())), Block.from_rows(news.sensors, odd)

    def _write_flags(self, now: datetime) -> None:
        """Write to the store what was found odd; what it does not take now waits for the next call."""
        if not self._unwritten:
            return
        block = Block.concat(self._unwritten)
        try:
            try:
                self._store.append_flags(block)
            except RejectedRowsError as exc:  # it would refuse them again; the others are written
                log.warning("flags.refused readings=%s first=%s why=%s", len(exc.rows), *exc.rows[0])
            self._arrivals.note(arrivals_of(block, self._room_of), now=now)
        except StoreError as exc:
            log.warning("flags.not_written readings=%s why=%s", len(block), exc)
            return
        self._unwritten = []


def _slices(names: Sequence[str]) -> Iterator[Sequence[str]]:
    """Yield names, some at a time."""
    for begin in range(0, len(names), _AT_ONCE):
        yield names[begin : begin + _AT_ONCE]
