"""What readings leave to be done, off the way of what comes in: days rolled up, old rows compacted, older let go."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor.farm import StorageSettings
from monitor.stores.compaction import Compacted
from monitor.stores.protocol import ReadingStore
from monitor.stores.sqlite import SqliteReadingStore

log = logging.getLogger(__name__)

_DAY_SETTLES = timedelta(minutes=15)
_COMPACTED_EVERY = timedelta(hours=20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Housework:
    """What was done.

    Attributes:
        sensor_days: Days of a sensor that were rolled up.
        compacted: Readings that moved into files; None: it was not time for it.
        let_go: Readings that went by rule.
    """

    sensor_days: int
    compacted: Compacted | None = None
    let_go: int = 0


def keep_house(store: ReadingStore, settings: StorageSettings, now: datetime, *, at_once: bool = False) -> Housework:
    """Roll up days that are over; once a day, or ``at_once``, compact what is old and let go what is too old.

    Raises:
        StoreError: The store did not do what was asked; nothing is lost, and it may be asked again.
    """
    days = store.roll_up(now - _DAY_SETTLES)
    if not isinstance(store, SqliteReadingStore):
        return Housework(sensor_days=days)
    if not at_once and now - store.compacted_at() < _COMPACTED_EVERY:
        return Housework(sensor_days=days)
    done = store.compact(now - settings.compact_after, now=now)
    gone = 0 if settings.keep_raw is None else store.let_go(now - settings.keep_raw)
    log.info("readings.compacted rows=%d files=%d bytes=%d let_go=%d", done.readings, done.files, done.size, gone)
    return Housework(sensor_days=days, compacted=done, let_go=gone)
