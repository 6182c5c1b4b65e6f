"""Whether what is kept is whole: files, gaps, clocks, and how long the disk will do; read only."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.errors import StoreError
from monitor.exports import blocks_of
from monitor.readings import Doubt, from_ms, to_ms
from monitor.rolling import Width
from monitor.stores.catalog import FileFacts
from monitor.stores.compaction import sha256_of
from monitor.stores.protocol import ReadingStore
from monitor.stores.sqlite import HISTORY_FOLDER, READINGS_FILE, SqliteReadingStore

CLOCK_TOLERANCE = timedelta(minutes=5)
_AHEAD = timedelta(days=36_500)
_CLOCK_DOUBTS = (Doubt.ARRIVAL_TIME, Doubt.CLOCK_AHEAD, Doubt.CLOCK_BEHIND)
_ROW_BYTES = 26.0
"""What a reading takes as a row, where no packed file tells better; measured, DEVELOPERS.md has the table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A time without a reading.

    Attributes:
        start: Its beginning, to five minutes.
        end: Its end, to five minutes.
    """

    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesState:
    """One sensor over the days that were looked at.

    Attributes:
        sensor: Its id.
        readings: How many.
        good_share: Share of good ones; None: there are none at all. [0-1]
        heard_share: Share of five-minute bins with a reading, between the first and the last of them. [0-1]
        gaps: Times longer than what was asked for without a reading, longest first.
        arrival_time: Readings without a time of their own.
        clock_ahead: Readings whose device's clock was ahead.
        clock_behind: Readings whose device's clock was far behind.
        in_future: Readings of later than now.
        first_at: The first reading over the days that were looked at, to five minutes; None: there is none.
        last_at: The newest reading; None: it never had one.
    """

    sensor: str
    readings: int
    good_share: float | None
    heard_share: float | None
    gaps: tuple[Gap, ...]
    arrival_time: int
    clock_ahead: int
    clock_behind: int
    in_future: int
    first_at: datetime | None
    last_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """How much room there is, and how long it will do.

    Attributes:
        rows_bytes: Size of the readings file with its log. [bytes]
        packed_bytes: Size of the packed files. [bytes]
        packed_readings: Readings in them.
        free_bytes: What is left on that disk. [bytes]
        readings_a_day: Mean over the days that were looked at.
        bytes_a_day: What they take for good, packed. [bytes]
        days_left: Until the disk is full at that pace; None: nothing comes in.
    """

    rows_bytes: int
    packed_bytes: int
    packed_readings: int
    free_bytes: int
    readings_a_day: float
    bytes_a_day: float
    days_left: float | None


def check_databases(folder: Path, names: tuple[str, ...], *, deep: bool) -> list[str]:
    """Return a sentence for each database that is not sound, by SQLite's own checks."""
    amiss = []
    check = "integrity_check" if deep else "quick_check"
    for name in names:
        if not (folder / name).exists():
            continue
        try:
            with closing(sqlite3.connect(f"{(folder / name).resolve().as_uri()}?mode=ro", uri=True)) as connection:
                said = [row[0] for row in connection.execute(f"PRAGMA {check}(5)").fetchall()]
        except sqlite3.Error as exc:
            said = [str(exc)]
        if said != ["ok"]:
            amiss.append(f"{name} is damaged: {'; '.join(said)}; put it back from a backup")
    return amiss


def check_files(folder: Path, files: list[FileFacts], *, deep: bool, step: Callable[[], None]) -> list[str]:
    """Return a sentence for each packed file that is missing, damaged or unknown.

    Args:
        folder: The storage folder.
        files: Files that the readings file names.
        deep: Read each whole, against its checksum.
        step: Called after each file.
    """
    amiss = []
    for each in files:
        path = folder / HISTORY_FOLDER / each.name
        if not path.exists():
            amiss.append(f"{HISTORY_FOLDER}/{each.name} is missing, with {each.readings} readings; it is in a backup")
        elif path.stat().st_size != each.size or (deep and sha256_of(path) != each.sha256):
            amiss.append(
                f"{HISTORY_FOLDER}/{each.name} is damaged ({each.readings} readings); put it back from a backup"
            )
        step()
    known = {each.name for each in files}
    for path in sorted((folder / HISTORY_FOLDER).glob("*.parquet")):
        if path.name not in known:
            amiss.append(
                f"{HISTORY_FOLDER}/{path.name} is not known to {READINGS_FILE}; `traywarden import` takes it in"
            )
    return amiss


def look_at_series(
    store: ReadingStore, sensor: str, start: datetime, now: datetime, *, longest: timedelta
) -> SeriesState:
    """Return how a sensor did over a span.

    Raises:
        StoreError: What is kept of it cannot be read.
    """
    rolled = store.rolled([sensor], start, now, Width.FIVE_MINUTES)
    bits = dict.fromkeys(_CLOCK_DOUBTS, 0)
    for _, block in blocks_of(store, [sensor], start, now):
        for doubt in _CLOCK_DOUBTS:
            bits[doubt] += int(((block.doubt & int(doubt)) != 0).sum())
    ahead = store.read([sensor], now + CLOCK_TOLERANCE, now + _AHEAD)
    newest = store.latest([sensor]).get(sensor)
    count, good = int(rolled.count.sum()), int(rolled.good.sum())
    span = (int(rolled.from_ms[-1] - rolled.from_ms[0]) // Width.FIVE_MINUTES + 1) if len(rolled) else 0
    return SeriesState(
        sensor=sensor,
        readings=count,
        good_share=good / count if count else None,
        heard_share=len(rolled) / span if span else None,
        gaps=_gaps(rolled.from_ms, start, now, longest),
        arrival_time=bits[Doubt.ARRIVAL_TIME],
        clock_ahead=bits[Doubt.CLOCK_AHEAD],
        clock_behind=bits[Doubt.CLOCK_BEHIND],
        in_future=len(ahead),
        first_at=from_ms(int(rolled.from_ms[0])) if len(rolled) else None,
        last_at=None if newest is None else newest.measured_at,
    )


def _gaps(from_ms_of: NDArray[np.int64], start: datetime, now: datetime, longest: timedelta) -> tuple[Gap, ...]:
    """Return times without a reading that are longer than ``longest``, the longest first; the last may go on."""
    if not len(from_ms_of):
        return ()
    begins = from_ms_of + Width.FIVE_MINUTES
    ends = np.append(from_ms_of[1:], to_ms(now))
    spans = ends - begins
    long = np.flatnonzero(spans > longest / timedelta(milliseconds=1))
    order = long[np.argsort(-spans[long], kind="stable")]
    return tuple(Gap(start=from_ms(int(begins[n])), end=from_ms(int(ends[n]))) for n in order)


def look_at_disk(store: SqliteReadingStore, folder: Path, readings: int, days: float) -> Disk:
    """Return how much room there is.

    Args:
        store: The store.
        folder: The storage folder.
        readings: How many came in over the days that were looked at.
        days: How many days those were.
    """
    files = store.history()
    packed, held = sum(each.size for each in files), sum(each.readings for each in files)
    rows = sum(
        (folder / (READINGS_FILE + suffix)).stat().st_size
        for suffix in ("", "-wal")
        if (folder / (READINGS_FILE + suffix)).exists()
    )
    free, a_day = shutil.disk_usage(folder).free, readings / days
    bytes_a_day = a_day * (packed / held if held else _ROW_BYTES)
    return Disk(
        rows_bytes=rows,
        packed_bytes=packed,
        packed_readings=held,
        free_bytes=free,
        readings_a_day=a_day,
        bytes_a_day=bytes_a_day,
        days_left=free / bytes_a_day if bytes_a_day else None,
    )


def readable(work: Callable[[], SeriesState], sensor: str) -> tuple[SeriesState, str | None]:
    """Return how a sensor did; where what is kept of it cannot be read, an empty state and why."""
    try:
        return work(), None
    except StoreError as exc:
        empty = SeriesState(
            sensor=sensor,
            readings=0,
            good_share=None,
            heard_share=None,
            gaps=(),
            arrival_time=0,
            clock_ahead=0,
            clock_behind=0,
            in_future=0,
            first_at=None,
            last_at=None,
        )
        return empty, f"{sensor} cannot be read: {exc}"
