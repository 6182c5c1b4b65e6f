"""Readings on one machine: rows in a SQLite file, older ones in files beside it; whoever reads sees one store."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from monitor.errors import StoreError, StoreUnavailableError
from monitor.readings import Block, Doubt, Flag, Reading, from_ms, to_ms
from monitor.rolling import Rolled, Width
from monitor.series import Series, block_of, chain, overlay
from monitor.stores import catalog
from monitor.stores.compaction import Compacted, Compaction
from monitor.stores.historyfolder import HistoryFolder
from monitor.stores.rolled import keys_touched
from monitor.stores.rolledrows import RolledRows
from monitor.stores.sqlitefile import SqliteFile
from monitor.stores.unreadrows import UnreadRows

READINGS_FILE = "readings.db"
HISTORY_FOLDER = "history"
_NEVER = datetime(9999, 1, 1, tzinfo=UTC)
_SLICE = 50_000
_TRIES = 20

_UPSERT = (
    "INSERT INTO reading (sensor, at, value, flag, doubt) VALUES (?, ?, ?, ?, ?) "
    "ON CONFLICT (sensor, at) DO UPDATE SET value = excluded.value, flag = excluded.flag, doubt = excluded.doubt"
)

T = TypeVar("T")


class SqliteReadingStore:
    """Readings keyed by (sensor, instant in ms), behind the ReadingStore protocol.

    One connection writes, under a lock; each read has a read-only connection of its own thread. Whatever is written
    becomes a row; ``compact`` moves older rows into files. Where a row and a file both have an instant, the row is
    the later one. A value that is no number (NaN) is never kept: the pipeline has quarantined it before.
    """

    def __init__(self, path: Path) -> None:
        """Open or begin the file; its compacted readings are in the folder ``history`` beside it.

        Raises:
            StoreError: It cannot be opened, or is no readings database.
            NewerSchemaError: A newer version of Traywarden wrote it.
        """
        self._ids: dict[str, int] = {}
        self._interrupted = threading.Event()
        self._rolled = RolledRows(self.read)
        self._history = HistoryFolder(path.parent / HISTORY_FOLDER)
        self._file = SqliteFile(path, first_marks=self._rolled.mark_all)
        self.unread = UnreadRows(self._file)
        """What could not be read: the quarantine."""

    # -- writing ------------------------------------------------------------------------------------------------

    def _change(self, what: str, work: Callable[[], None]) -> None:
        """Do some writing; where it comes to nothing, what is remembered of the file is forgotten."""
        try:
            self._file.in_transaction(what, work)
        except BaseException:
            self._ids.clear()
            self._rolled.forget()
            raise

    def _sensor_id(self, name: str) -> int:
        """Return a sensor's number, giving it one at its first reading; called within a transaction."""
        known = self._ids.get(name)
        if known is None:
            writer = self._file.writer
            writer.execute("INSERT INTO sensor (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            known = int(writer.execute("SELECT id FROM sensor WHERE name = ?", (name,)).fetchone()[0])
            self._ids[name] = known
        return known

    def append(self, block: Block) -> None:
        """Keep a block; see ReadingStore.append."""
        if not len(block):
            return

        def work() -> None:
            of_name = [self._sensor_id(name) for name in block.sensors]
            numbers = [of_name[index] for index in block.sensor_index.tolist()]
            at_ms = block.measured_at_ms.tolist()
            self._rolled.mark(self._file.writer, keys_touched(of_name, numbers, block.measured_at_ms))
            rows = zip(numbers, at_ms, block.value.tolist(), block.flag.tolist(), block.doubt.tolist(), strict=True)
            self._file.writer.executemany(_UPSERT, rows)

        self._change("writing readings to", work)

    # -- reading ------------------------------------------------------------------------------------------------

    def _steadily(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Read rows and files so that both are of one moment: again, where a compaction came between."""
        with self._file.errors("reading"):
            reader = self._file.reader()
            for _ in range(_TRIES):
                version = catalog.state(reader, "version")
                try:
                    found = work(reader)
                except FileNotFoundError as exc:
                    if catalog.state(reader, "version") == version:
                        raise StoreError(
                            f"{exc.filename} is missing, which holds compacted readings; put the folder "
                            f"{HISTORY_FOLDER} back from a backup; `traywarden inspect` lists what else is amiss"
                        ) from exc
                    continue
                if catalog.state(reader, "version") == version:
                    return found
        raise StoreUnavailableError(
            f"reading {self._file.path}: files were replaced {_TRIES} times meanwhile; try again"
        )

    @staticmethod
    def _number(reader: sqlite3.Connection, name: str) -> int | None:
        """Return a sensor's number; None: it never had a reading."""
        found = reader.execute("SELECT id FROM sensor WHERE name = ?", (name,)).fetchone()
        return None if found is None else int(found[0])

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        names, first, last = tuple(sensors), to_ms(start), to_ms(end)
        return block_of(
            names, self._steadily(lambda reader: [self._series(reader, name, first, last) for name in names])
        )

    def _series(self, reader: sqlite3.Connection, name: str, start_ms: int, end_ms: int) -> Series:
        """Return a sensor's readings of a span: what files hold, and over it the rows."""
        sensor = self._number(reader, name)
        if sensor is None:
            return chain([])
        held = [
            self._history.file(entry.file).read(name, start_ms, end_ms)
            for entry in catalog.entries_of(reader, sensor, start_ms, end_ms)
        ]
        return overlay(chain(held), _rows_of(reader, sensor, start_ms, end_ms))

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; see ReadingStore.latest."""
        found = self._steadily(lambda reader: {name: self._newest(reader, name) for name in sensors})
        return {name: reading for name, reading in found.items() if reading is not None}

    def _newest(self, reader: sqlite3.Connection, name: str) -> Reading | None:
        """Return a sensor's newest reading, from its rows or from a file."""
        sensor = self._number(reader, name)
        if sensor is None:
            return None
        query = "SELECT at, value, flag, doubt FROM reading WHERE sensor = ? ORDER BY at DESC LIMIT 1"
        row = reader.execute(query, (sensor,)).fetchone()
        entry = catalog.newest_of(reader, sensor)
        if entry is not None and (row is None or row[0] < entry.last_ms):
            old = self._history.file(entry.file).read(name, entry.last_ms, entry.last_ms + 1)
            row = (entry.last_ms, float(old.value[0]), int(old.flag[0]), int(old.doubt[0]))
        if row is None:
            return None
        at_ms, value, flag, doubt = row
        return Reading(sensor=name, measured_at=from_ms(at_ms), value=value, flag=Flag(flag), doubt=Doubt(doubt))

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors with a reading, sorted."""
        with self._file.errors("reading"):
            rows = self._file.reader().execute("SELECT name FROM sensor ORDER BY name").fetchall()
        return tuple(row[0] for row in rows)

    def count(self) -> int:
        """Return how many readings are kept, in rows and files, each once."""

        def work(reader: sqlite3.Connection) -> int:
            rows = int(reader.execute("SELECT count(*) FROM reading").fetchone()[0])
            entries = catalog.all_entries(reader)
            return rows + sum(entry.readings for entry in entries) - sum(self._twice(reader, each) for each in entries)

        def at_one_moment(reader: sqlite3.Connection) -> int:
            reader.execute("BEGIN")
            try:
                return work(reader)
            finally:
                reader.execute("COMMIT")

        return self._steadily(at_one_moment)

    def _twice(self, reader: sqlite3.Connection, entry: catalog.Entry) -> int:
        """Return how many readings of a file are rows too: corrected, or about to leave the rows."""
        rows = _rows_of(reader, entry.sensor, entry.first_ms, entry.last_ms + 1)
        if not len(rows):
            return 0
        name = reader.execute("SELECT name FROM sensor WHERE id = ?", (entry.sensor,)).fetchone()[0]
        held = self._history.file(entry.file).read(name, entry.first_ms, entry.last_ms + 1)
        return int(np.isin(rows.at_ms, held.at_ms, assume_unique=True).sum())

    # -- rolled-up series ---------------------------------------------------------------------------------------

    def rolled(self, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
        """Return rolled-up series; see ReadingStore.rolled."""
        with self._file.errors("reading"):
            return self._rolled.rolled(self._file.reader(), sensors, start, end, width)

    def roll_up(self, until: datetime) -> int:
        """Work off the marks on days that are over, a week of one sensor at a time; see ReadingStore.roll_up."""
        with self._file.errors("reading"):
            marked = self._rolled.marked_before(self._file.reader(), until)
        for sensor, keys in marked:
            self._unless_interrupted("rolling")
            self._change("rolling up readings in", partial(self._rolled.roll, self._file.writer, sensor, keys))
        return sum(len(keys) for _, keys in marked)

    def rebuild_rolled(self) -> int:
        """Work out all rolled-up series afresh; see ReadingStore.rebuild_rolled."""
        self._change("marking what is rolled up in", lambda: self._rolled.mark_all(self._file.writer))
        return self.roll_up(_NEVER)

    # -- compaction ---------------------------------------------------------------------------------------------

    def compact(self, until: datetime, *, now: datetime, step: Callable[[str], None] = lambda _name: None) -> Compacted:
        """Move rows before ``until`` into files, and give the room that they took back to the disk.

        Args:
            until: Rows before it move; what comes in for that time later is a row again until the next call.
            now: Kept as the time of the last compaction.
            step: Told of each step.

        Raises:
            StoreUnavailableError: Another process compacts the same readings, or the disk is full.
            StoreError: A file did not read back as it was written; no row has left its place.
        """

        def told(name: str) -> None:
            self._unless_interrupted(name)
            step(name)

        with self._file.errors("compacting"):
            done = Compaction(_RowsToMove(self._file, self._history), told).run(until)
        self._change(
            "noting the compaction in", lambda: catalog.set_state(self._file.writer, "compacted_at", to_ms(now))
        )
        self._file.shrink()
        return done

    def let_go(self, before: datetime) -> int:
        """Let whole UTC months that end by ``before`` go for good; what was rolled up of them stays.

        Returns:
            How many readings went.
        """
        month = catalog.month_of(to_ms(before))
        boundary = catalog.month_start(month)
        self.roll_up(from_ms(boundary))
        gone = [0]

        def work() -> None:
            writer = self._file.writer
            gone[0] = catalog.let_go(writer, month)
            gone[0] += writer.execute("DELETE FROM reading WHERE at < ?", (boundary,)).rowcount
            catalog.set_state(writer, "kept_from", max(boundary, catalog.state(writer, "kept_from")))

        self._change("letting readings go from", work)
        with self._file.errors("compacting"):
            Compaction(_RowsToMove(self._file, self._history)).tidy()
        self._file.shrink()
        return gone[0]

    def history(self) -> list[catalog.FileFacts]:
        """Return the files that hold compacted readings, oldest month first."""
        with self._file.errors("reading"):
            return catalog.files(self._file.reader())

    def interrupt(self) -> None:
        """Have a compaction or rolling up that is running in another thread stop at its next step, for good."""
        self._interrupted.set()

    def _unless_interrupted(self, _step: str) -> None:
        """Go on, or stop where no reading is in two minds."""
        if self._interrupted.is_set():
            raise StoreUnavailableError("stopped in the middle of packing readings; the next start goes on with it")

    def compacted_at(self) -> datetime:
        """Return when rows were last compacted; 1970: never."""
        with self._file.errors("reading"):
            return from_ms(catalog.state(self._file.reader(), "compacted_at"))

    # -- quarantine ---------------------------------------------------------------------------------------------

    def quarantine(self, arrived_at: datetime, topic: str, payload: bytes, why: str) -> None:
        """Keep a message that could not be read, with the reason; the newest 1,000 are held."""
        self.unread.keep(arrived_at, topic, payload, why)

    def quarantined(self, limit: int = 20) -> tuple[tuple[datetime, str, bytes, str], ...]:
        """Return the newest messages that could not be read: (arrived at, topic, payload, why), newest first."""
        return tuple((each.arrived_at, each.topic, each.payload, each.why) for each in self.unread.newest(limit))

    def close(self) -> None:
        """Let go of the files; a second call does nothing."""
        if self._file.close():
            self._history.close()


def _rows_of(reader: sqlite3.Connection, sensor: int, start_ms: int, end_ms: int) -> Series:
    """Return one sensor's rows; no cursor is held open between slices, since that would stop checkpoints."""
    query = "SELECT at, value, flag, doubt FROM reading WHERE sensor = ? AND at >= ? AND at < ? ORDER BY at LIMIT ?"
    parts = []
    while True:
        rows = reader.execute(query, (sensor, start_ms, end_ms, _SLICE)).fetchall()
        parts.append(Series.from_rows(rows))
        if len(rows) < _SLICE:
            return chain(parts)
        start_ms = rows[-1][0] + 1


class _RowsToMove:
    """What compaction asks of the store."""

    def __init__(self, file: SqliteFile, history: HistoryFolder) -> None:
        self.folder, self.file, self.reader, self.in_transaction = (
            history.folder,
            history.file,
            file.reader,
            file.in_transaction,
        )
        self._file = file

    def writer(self) -> sqlite3.Connection:
        return self._file.writer

    def rows_of(self, sensor: int, start_ms: int, end_ms: int) -> Series:
        return _rows_of(self._file.reader(), sensor, start_ms, end_ms)
