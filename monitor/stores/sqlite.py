"""Readings in one SQLite file: on disk when append returns, the same reading twice is one reading."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np

from monitor.errors import NewerSchemaError, StoreError, StoreUnavailableError
from monitor.readings import Block, Doubt, Flag, Reading, from_ms, to_ms
from monitor.rolling import Rolled, Width
from monitor.stores.rolled import keys_touched
from monitor.stores.rolledrows import RolledRows

READINGS_FILE = "readings.db"
QUARANTINE_ROWS = 1_000
_NEVER = datetime(9999, 1, 1, tzinfo=UTC)
_BUSY_SECONDS = 10.0
_SLICE = 50_000

_UPSERT = (
    "INSERT INTO reading (sensor, at, value, flag, doubt) VALUES (?, ?, ?, ?, ?) "
    "ON CONFLICT (sensor, at) DO UPDATE SET value = excluded.value, flag = excluded.flag, doubt = excluded.doubt"
)

_MIGRATIONS: tuple[str, ...] = (
    # 1: the first schema
    """
    CREATE TABLE sensor (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE reading (
        sensor INTEGER NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL, flag INTEGER NOT NULL,
        doubt INTEGER NOT NULL, PRIMARY KEY (sensor, at)
    ) WITHOUT ROWID;
    CREATE TABLE quarantine (
        id INTEGER PRIMARY KEY, arrived_at INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
        why TEXT NOT NULL
    );
    """,
    # 2: rolled-up days, and marks on those that do not hold (monitor/stores/rolledrows.py); every day has one at first
    """
    CREATE TABLE rolled (key INTEGER PRIMARY KEY, bins BLOB NOT NULL);
    CREATE TABLE stale (key INTEGER PRIMARY KEY);
    """,
)
_WITH_MARKS = 2


class SqliteReadingStore:
    """Readings keyed by (sensor, instant in ms), behind the ReadingStore protocol.

    One connection writes, under a lock; each read has a read-only connection of its own thread. A value that
    is no number (NaN) is never kept: the pipeline has quarantined it before.
    """

    def __init__(self, path: Path) -> None:
        """Open or begin the file.

        Raises:
            StoreError: It cannot be opened, or is no readings database.
            NewerSchemaError: A newer version of Traywarden wrote it.
        """
        self._path = path
        self._lock = threading.RLock()
        self._local = threading.local()
        self._readers: list[sqlite3.Connection] = []
        self._ids: dict[str, int] = {}
        self._rolled = RolledRows(self.read)
        self._closed = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise StoreError(f"the folder of {path} cannot be made: {exc}; name another under [storage]") from exc
        with self._errors("opening"):
            self._writer = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
            try:
                self._writer.execute("PRAGMA auto_vacuum=INCREMENTAL")  # of a new file only
                self._writer.execute("PRAGMA journal_mode=WAL")
                self._writer.execute("PRAGMA synchronous=FULL")
                self._bring_up()
            except BaseException:
                self._writer.close()
                raise

    @contextmanager
    def _errors(self, what: str) -> Iterator[None]:
        """Turn SQLite's errors into ours."""
        try:
            yield
        except sqlite3.OperationalError as exc:
            told = f"{what} {self._path}: {exc}; see that the disk is not full and the folder may be written"
            busy = "locked" in str(exc) or "full" in str(exc) or "I/O" in str(exc)
            raise (StoreUnavailableError if busy else StoreError)(told) from exc
        except sqlite3.Error as exc:
            raise StoreError(f"{what} {self._path}: {exc}; is it a readings database of Traywarden?") from exc

    def _bring_up(self) -> None:
        """Run the migrations that the file lacks, each in a transaction of its own."""
        version = int(self._writer.execute("PRAGMA user_version").fetchone()[0])
        if version > len(_MIGRATIONS):
            raise NewerSchemaError(
                f"{self._path} has schema {version}, this Traywarden knows up to {len(_MIGRATIONS)}: a newer version "
                "wrote it. Install that version again, or restore a backup made before it"
            )
        for number in range(version, len(_MIGRATIONS)):
            self._migrate(number)

    def _migrate(self, number: int) -> None:
        """Take one step, unless another process has taken it meanwhile."""
        self._writer.execute("BEGIN IMMEDIATE")
        try:
            if int(self._writer.execute("PRAGMA user_version").fetchone()[0]) == number:
                for statement in _MIGRATIONS[number].split(";"):
                    self._writer.execute(statement)
                if number + 1 == _WITH_MARKS:
                    self._rolled.mark_all(self._writer)
                self._writer.execute(f"PRAGMA user_version={number + 1}")
            self._writer.execute("COMMIT")
        except BaseException:
            self._writer.execute("ROLLBACK")
            raise

    def _in_transaction(self, what: str, work: Callable[[], None]) -> None:
        """Do some writing, all or nothing, on disk when this returns."""
        with self._lock, self._errors(what):
            if self._closed:
                raise StoreError(f"{what} {self._path}: it is closed")
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                work()
                self._writer.execute("COMMIT")
            except BaseException:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                self._ids.clear()
                self._rolled.forget()
                raise

    def _sensor_id(self, name: str) -> int:
        """Return a sensor's number, giving it one at its first reading; called within a transaction."""
        known = self._ids.get(name)
        if known is None:
            self._writer.execute("INSERT INTO sensor (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            known = int(self._writer.execute("SELECT id FROM sensor WHERE name = ?", (name,)).fetchone()[0])
            self._ids[name] = known
        return known

    def append(self, block: Block) -> None:
        """Keep a block; see ReadingStore.append."""
        if not len(block):
            return

        def work() -> None:
            numbers = np.array([self._sensor_id(name) for name in block.sensors], dtype=np.int64)[block.sensor_index]
            self._rolled.mark(self._writer, keys_touched(numbers, block.measured_at_ms))
            rows = zip(
                numbers.tolist(),
                block.measured_at_ms.tolist(),
                block.value.tolist(),
                block.flag.tolist(),
                block.doubt.tolist(),
                strict=True,
            )
            self._writer.executemany(_UPSERT, rows)

        self._in_transaction("writing readings to", work)

    def _reader(self) -> sqlite3.Connection:
        """Return this thread's read-only connection."""
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            address = f"{self._path.resolve().as_uri()}?mode=ro"
            connection = sqlite3.connect(address, uri=True, timeout=_BUSY_SECONDS, check_same_thread=False)
            self._local.connection = connection
            with self._lock:
                self._readers.append(connection)
        return connection

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        names = tuple(sensors)
        rows: list[tuple[int, int, float, int, int]] = []
        with self._errors("reading"):
            for index, name in enumerate(names):
                rows.extend(self._rows_of(index, name, to_ms(start), to_ms(end)))
        return Block.from_rows(names, rows)

    def _rows_of(self, index: int, name: str, start_ms: int, end_ms: int) -> Iterator[tuple[int, int, float, int, int]]:
        """Yield one sensor's rows; no cursor is held open between slices, since that would stop checkpoints."""
        query = (
            "SELECT ?, at, value, flag, doubt FROM reading WHERE sensor = (SELECT id FROM sensor WHERE name = ?) "
            "AND at >= ? AND at < ? ORDER BY at LIMIT ?"
        )
        while True:
            rows = self._reader().execute(query, (index, name, start_ms, end_ms, _SLICE)).fetchall()
            yield from rows
            if len(rows) < _SLICE:
                return
            start_ms = rows[-1][1] + 1

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; see ReadingStore.latest."""
        found = {}
        query = (
            "SELECT at, value, flag, doubt FROM reading WHERE sensor = (SELECT id FROM sensor WHERE name = ?) "
            "ORDER BY at DESC LIMIT 1"
        )
        with self._errors("reading"):
            for name in sensors:
                row = self._reader().execute(query, (name,)).fetchone()
                if row is not None:
                    at_ms, value, flag, doubt = row
                    found[name] = Reading(
                        sensor=name, measured_at=from_ms(at_ms), value=value, flag=Flag(flag), doubt=Doubt(doubt)
                    )
        return found

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors with a reading, sorted."""
        with self._errors("reading"):
            rows = self._reader().execute("SELECT name FROM sensor ORDER BY name").fetchall()
        return tuple(row[0] for row in rows)

    def count(self) -> int:
        """Return how many readings are kept."""
        with self._errors("reading"):
            return int(self._reader().execute("SELECT count(*) FROM reading").fetchone()[0])

    def rolled(self, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
        """Return rolled-up series; see ReadingStore.rolled."""
        with self._errors("reading"):
            return self._rolled.rolled(self._reader(), sensors, start, end, width)

    def roll_up(self, until: datetime) -> int:
        """Work off the marks on days that are over; see ReadingStore.roll_up."""
        with self._errors("reading"):
            marked = self._rolled.marked_before(self._reader(), until)
        return self._roll(marked)

    def _roll(self, marked: Sequence[tuple[int, Sequence[int]]]) -> int:
        """Roll up some days of each sensor, a month in one transaction; return how many days."""
        for sensor, keys in marked:
            work = partial(self._rolled.roll, self._writer, sensor, keys)
            self._in_transaction("rolling up readings in", work)
        return sum(len(keys) for _, keys in marked)

    def rebuild_rolled(self) -> int:
        """Work out all rolled-up series afresh; see ReadingStore.rebuild_rolled."""
        self._in_transaction("marking what is rolled up in", lambda: self._rolled.mark_all(self._writer))
        return self.roll_up(_NEVER)

    def quarantine(self, arrived_at: datetime, topic: str, payload: bytes, why: str) -> None:
        """Keep a message that could not be read, with the reason; the newest 1,000 are held."""

        def work() -> None:
            self._writer.execute(
                "INSERT INTO quarantine (arrived_at, topic, payload, why) VALUES (?, ?, ?, ?)",
                (to_ms(arrived_at), topic, payload, why),
            )
            self._writer.execute(
                "DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - ?", (QUARANTINE_ROWS,)
            )

        self._in_transaction("writing quarantine to", work)

    def quarantined(self, limit: int = 20) -> tuple[tuple[datetime, str, bytes, str], ...]:
        """Return the newest messages that could not be read: (arrived at, topic, payload, why), newest first."""
        with self._errors("reading"):
            rows = (
                self._reader()
                .execute("SELECT arrived_at, topic, payload, why FROM quarantine ORDER BY id DESC LIMIT ?", (limit,))
                .fetchall()
            )
        return tuple((from_ms(at), topic, bytes(payload), why) for at, topic, payload, why in rows)

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            for reader in self._readers:
                reader.close()
            self._writer.close()
