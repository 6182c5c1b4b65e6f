"""A queue of blocks on disk before a server: in it when put returns, out of it when the server has them.

Bounded by its size and by what is left on the disk. When it is full nothing is taken in and nothing let go: the oldest
is kept, and who has more to give keeps it (an MQTT broker does).
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import msgspec
import numpy as np

from monitor.errors import StoreError, StoreUnavailableError
from monitor.health import NO_DISK_BYTES
from monitor.readings import Block, from_ms, to_ms
from monitor.unread import REFUSED, Unread

SPOOL_FILE = "spool.db"
SPOOL_FILES = "spool*.db"
"""All spools of a machine: each collector has one of its own."""
_BUSY_SECONDS = 10.0
REFUSED_KEPT = 100_000
_SCHEMA = """
CREATE TABLE IF NOT EXISTS batch (id INTEGER PRIMARY KEY AUTOINCREMENT, rows INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS refused (
    id INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, row TEXT NOT NULL, why TEXT NOT NULL
);
"""

_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(tuple[tuple[str, ...], bytes, bytes, bytes, bytes, bytes]).decode


def packed(block: Block) -> bytes:
    """Return a block as bytes; see unpacked."""
    return _encode(
        (
            block.sensors,
            block.sensor_index.astype("<i4").tobytes(),
            block.measured_at_ms.astype("<i8").tobytes(),
            block.value.astype("<f8").tobytes(),
            block.flag.astype("<i1").tobytes(),
            block.doubt.astype("<i2").tobytes(),
        )
    )


def unpacked(body: bytes) -> Block:
    """Return the block that some bytes hold."""
    sensors, index, at_ms, value, flag, doubt = _decode(body)
    return Block(
        sensors=sensors,
        sensor_index=np.frombuffer(index, "<i4").astype(np.int32),
        measured_at_ms=np.frombuffer(at_ms, "<i8").astype(np.int64),
        value=np.frombuffer(value, "<f8").astype(np.float64),
        flag=np.frombuffer(flag, "<i1").astype(np.int8),
        doubt=np.frombuffer(doubt, "<i2").astype(np.int16),
    )


class Spool:
    """Blocks that wait for a server, in the order in which they came; several processes may share the file."""

    def __init__(
        self,
        path: Path,
        *,
        most_bytes: int,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        """Open or begin the file.

        Args:
            path: The file.
            most_bytes: How large it may grow. [bytes]
            free_bytes: How much is left on the disk of a folder. [bytes]

        Raises:
            StoreError: It cannot be opened, or is no spool.
        """
        self._path, self._most_bytes, self._free_bytes = path, most_bytes, free_bytes
        self._lock = threading.Lock()
        self._closed = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise StoreError(f"the folder of {path} cannot be made: {exc}; name another under [storage]") from exc
        with self._errors("opening"):
            self._connection = sqlite3.connect(
                path, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False
            )
            try:
                self._connection.execute("PRAGMA journal_mode=WAL")
                self._connection.execute("PRAGMA synchronous=FULL")
                self._connection.executescript(_SCHEMA)
            except BaseException:
                self._connection.close()
                raise

    @contextmanager
    def _errors(self, what: str) -> Iterator[None]:
        """Turn SQLite's errors into ours."""
        try:
            yield
        except sqlite3.OperationalError as exc:
            raise StoreUnavailableError(f"{what} {self._path}: {exc}; see that the disk is not full") from exc
        except sqlite3.Error as exc:
            raise StoreError(f"{what} {self._path}: {exc}; is it a spool of Traywarden?") from exc

    def _number(self, query: str) -> int:
        """Return the one number of a query; the lock is held."""
        return int(self._connection.execute(query).fetchone()[0])

    def _used_bytes(self) -> int:
        """Return how much of the file is in use; the lock is held. [bytes]."""
        pages = self._number("PRAGMA page_count") - self._number("PRAGMA freelist_count")
        return pages * self._number("PRAGMA page_size")

    def put(self, block: Block) -> None:
        """Keep a block; it is on disk when this returns.

        Raises:
            StoreUnavailableError: There is no room; nothing was kept, give it again later.
        """
        body = packed(block)
        with self._lock, self._errors("writing to"):
            if self._closed:
                raise StoreError(f"writing to {self._path}: it is closed")
            if self._used_bytes() + len(body) > self._most_bytes:
                raise StoreUnavailableError(
                    f"the spool {self._path} is full ({self._most_bytes // 1_000_000} MB) since the InfluxDB takes "
                    "nothing; see [storage.influx] spool_mb, and why the server does not answer"
                )
            if self._free_bytes(self._path.parent) < NO_DISK_BYTES:
                raise StoreUnavailableError(f"the disk of the spool {self._path} is full; make room")
            self._connection.execute("INSERT INTO batch (rows, body) VALUES (?, ?)", (len(block), body))

    def oldest(self, rows: int) -> tuple[tuple[int, ...], Block]:
        """Return the oldest blocks, of about so many rows together, with their numbers; none: nothing waits."""
        numbers: list[int] = []
        blocks: list[Block] = []
        taken = 0
        with self._lock, self._errors("reading"):
            for number, count, body in self._connection.execute("SELECT id, rows, body FROM batch ORDER BY id"):
                if numbers and taken + count > rows:
                    break
                numbers.append(number)
                blocks.append(unpacked(body))
                taken += count
        return tuple(numbers), Block.concat(blocks)

    def pending(self) -> Block:
        """Return all that waits, in order."""
        with self._lock, self._errors("reading"):
            bodies = self._connection.execute("SELECT body FROM batch ORDER BY id").fetchall()
        return Block.concat([unpacked(body) for (body,) in bodies])

    def done(self, numbers: Sequence[int], refused: Sequence[tuple[str, str]] = (), *, at: datetime) -> None:
        """Let go of blocks that the server has, but keep the rows that it refused, with its own words."""
        with self._lock, self._errors("writing to"):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.executemany(
                    "INSERT INTO refused (at, row, why) VALUES (?, ?, ?)", [(to_ms(at), *each) for each in refused]
                )
                self._connection.executemany("DELETE FROM batch WHERE id = ?", [(number,) for number in numbers])
                self._connection.execute(
                    "DELETE FROM refused WHERE id <= (SELECT max(id) FROM refused) - ?", (REFUSED_KEPT,)
                )
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def waiting(self) -> int:
        """Return how many readings wait."""
        with self._lock, self._errors("reading"):
            return self._number("SELECT coalesce(sum(rows), 0) FROM batch")

    def is_empty(self) -> bool:
        """Tell whether nothing waits."""
        with self._lock, self._errors("reading"):
            return self._connection.execute("SELECT 1 FROM batch LIMIT 1").fetchone() is None

    def refused(self, limit: int = 20) -> list[tuple[str, str]]:
        """Return the newest (row, the server's words) that were refused for good, newest first."""
        with self._lock, self._errors("reading"):
            rows = self._connection.execute("SELECT row, why FROM refused ORDER BY id DESC LIMIT ?", (limit,))
            return [(str(row), str(why)) for row, why in rows]

    def unread(self) -> list[Unread]:
        """Return all rows that were refused for good, with the server's words, newest first."""
        with self._lock, self._errors("reading"):
            rows = self._connection.execute("SELECT id, at, row, why FROM refused ORDER BY id DESC").fetchall()
        return [
            Unread(id=number, arrived_at=from_ms(at), topic=REFUSED, payload=row.encode(), why=why)
            for number, at, row, why in rows
        ]

    def take_out(self, stored: Iterable[Unread]) -> None:
        """Let go of refused rows that are stored now."""
        with self._lock, self._errors("writing to"):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.executemany("DELETE FROM refused WHERE id = ?", [(each.id,) for each in stored])
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def refused_count(self) -> int:
        """Return how many rows were refused for good."""
        with self._lock, self._errors("reading"):
            return self._number("SELECT count(*) FROM refused")

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        with self._lock:
            if not self._closed:
                self._closed = True
                self._connection.close()
