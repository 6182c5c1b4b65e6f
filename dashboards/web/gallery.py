"""The pictures of the batches' days: gathered once in ten minutes or with the next entry, drawn elsewhere, kept."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from dashboards.batchdays import days_of, rounded_down
from dashboards.daypicture import DayPicture, content_key
from dashboards.pictures import Pictures
from dashboards.waterdays import Read
from monitor.batches import Batch

Nudges = Callable[[datetime], Sequence[OutboxRow]]
MOST_WARMED = 12
"""So many batches' pictures are drawn ahead when the pages start."""


class Gallery:
    """The days of batches, by batch and by content."""

    def __init__(self, pictures: Pictures | None = None, *, most: int = 32) -> None:
        """Keep the days of at most so many batches."""
        self.pictures = pictures if pictures is not None else Pictures()
        self._most = most
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._by_batch: OrderedDict[str, tuple[object, str]] = OrderedDict()
        self._by_key: OrderedDict[str, DayPicture] = OrderedDict()

    def days(self, batch: Batch, tick: Tick, read: Read, nudges: Nudges) -> tuple[str, DayPicture] | None:
        """Return (key, picture) of a batch's days; None: nothing of it has begun, or its crop has no profile.

        Args:
            batch: The batch.
            tick: The moment.
            read: Where readings come from.
            nudges: Returns the messages made since an instant.
        """
        profile = tick.profiles.get(batch.crop)
        begun = batch.soaked_at or batch.sown_at
        if profile is None or begun is None or begun > tick.now:
            return None
        done = [entry.at for entry in batch.entries if entry.at <= tick.now]
        until = max([rounded_down(tick.now), *done])
        state = (until, tuple(entry.id for entry in batch.entries))
        with self._lock:
            known = self._by_batch.get(batch.id)
            if known is not None and known[0] == state and known[1] in self._by_key:
                self._by_batch.move_to_end(batch.id)
                return known[1], self._by_key[known[1]]
        picture = days_of(batch, profile, replace(tick, now=until, memo={}), read, sent=nudges(begun))
        key = content_key(picture)
        with self._lock:
            self._by_batch[batch.id] = (state, key)
            self._by_key[key] = picture
            self._by_batch.move_to_end(batch.id)
            self._by_key.move_to_end(key)
            while len(self._by_batch) > self._most:
                self._by_batch.popitem(last=False)
            while len(self._by_key) > 2 * self._most:  # a page that was opened a while ago still loads its own
                self._by_key.popitem(last=False)
        return key, picture

    def by_key(self, key: str) -> DayPicture | None:
        """Return the picture of a key, or None where it was let go."""
        with self._lock:
            return self._by_key.get(key)

    def warm(self, tick: Tick, read: Read, nudges: Nudges) -> None:
        """Have the pictures of the batches that stand drawn ahead."""
        standing = [batch for batch in tick.batches.values() if batch.standing]
        newest = sorted(standing, key=lambda batch: batch.sown_at or tick.now, reverse=True)[:MOST_WARMED]
        for batch in newest:
            if self._closed.is_set():
                return
            found = self.days(batch, tick, read, nudges)
            if found is not None:
                self.pictures.warm([found[1]])

    def close(self) -> None:
        """Draw no more; a second call does nothing."""
        self._closed.set()
        self.pictures.close()
