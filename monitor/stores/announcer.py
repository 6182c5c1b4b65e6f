"""Tells those who follow a shared store what has been delivered to it; what cannot be told now is told later."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from datetime import datetime, timedelta

from monitor.arrivals import Arrival, arrivals_of, merged
from monitor.clock import Clock
from monitor.errors import StoreError
from monitor.readings import Block, to_ms
from monitor.stores.arrivals import SqlArrivals

log = logging.getLogger(__name__)

_MOST_WAITING = 2_000
_PRUNE_EVERY = timedelta(minutes=10)
_MAY_LIE_BACK = timedelta(minutes=10)


class Announcer:
    """Notes every block that the server has taken, room by room."""

    def __init__(self, arrivals: SqlArrivals, rooms: Mapping[str, str], *, clock: Clock) -> None:
        """Take the table, the room of each sensor, and the clock."""
        self._arrivals, self._rooms, self._clock = arrivals, dict(rooms), clock
        self._waiting: list[Arrival] = []
        self._lock = threading.Lock()
        self._failed = False
        self._pruned_at: datetime | None = None

    def begin(self, since: datetime | None) -> None:
        """Tell again of all that may have been delivered since the last sign of life, and never told.

        Args:
            since: The last sign of life of whoever delivered under this name; None: there was none.
        """
        if since is None:
            return
        from_ms, to_ms_ = to_ms(since - _MAY_LIE_BACK), to_ms(self._clock())
        rooms = dict.fromkeys(self._rooms.values())
        self._tell([Arrival(room=room, from_ms=from_ms, to_ms=to_ms_) for room in rooms if room])

    def delivered(self, block: Block) -> None:
        """Tell of a block that the server has taken."""
        self._tell(arrivals_of(block, self._rooms))

    def _tell(self, arrivals: list[Arrival]) -> None:
        """Note arrivals, with those that could not be noted before."""
        with self._lock:
            self._waiting = [*self._waiting, *arrivals]
            if len(self._waiting) > _MOST_WAITING:
                self._waiting = _by_room(self._waiting)
            try:
                self._arrivals.note(self._waiting, now=self._clock())
            except StoreError as exc:
                if not self._failed:
                    log.warning("arrivals.not_noted why=%s; they are noted later", exc)
                self._failed = True
            else:
                self._waiting, self._failed = [], False

    def again(self) -> None:
        """Try what could not be noted, and let go of old notes."""
        if self._waiting:
            self._tell([])
        now = self._clock()
        if self._pruned_at is None or abs(now - self._pruned_at) >= _PRUNE_EVERY:
            self._arrivals.prune(now)
            self._pruned_at = now


def _by_room(waiting: list[Arrival]) -> list[Arrival]:
    """Return one arrival a room and span that covers all of them, whosever they are."""
    return merged(Arrival(room=each.room, from_ms=each.from_ms, to_ms=each.to_ms) for each in waiting)
