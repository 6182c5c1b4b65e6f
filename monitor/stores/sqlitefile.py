"""The readings' SQLite file: its schema, one writing connection under a lock, a reading one for each thread."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.errors import NewerSchemaError, StoreError, StoreUnavailableError
from monitor.stores.catalog import CATALOG_SQL

_BUSY_SECONDS = 10.0
_PAGES_AT_ONCE = 2_000
_WORTH_SHRINKING = 1_000

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
    # 3: which files hold compacted readings (monitor/stores/catalog.py)
    CATALOG_SQL,
)
_WITH_MARKS = 2


class SqliteFile:
    """Connections to one file; what fails is told in our own errors."""

    def __init__(self, path: Path, *, first_marks: Callable[[sqlite3.Connection], None]) -> None:
        """Open or begin the file.

        Args:
            path: Where it is.
            first_marks: Marks every day to be rolled up, for a file that had no rolled-up days.

        Raises:
            StoreError: It cannot be opened, or is no readings database.
            NewerSchemaError: A newer version of Traywarden wrote it.
        """
        self.path = path
        self._first_marks = first_marks
        self._lock = threading.RLock()
        self._local = threading.local()
        self._readers: list[sqlite3.Connection] = []
        self._closed = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise StoreError(f"the folder of {path} cannot be made: {exc}; name another under [storage]") from exc
        with self.errors("opening"):
            self.writer = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
            try:
                self.writer.execute("PRAGMA auto_vacuum=INCREMENTAL")  # of a new file only
                self.writer.execute("PRAGMA journal_mode=WAL")
                self.writer.execute("PRAGMA synchronous=FULL")
                self._bring_up()
            except BaseException:
                self.writer.close()
                raise

    @contextmanager
    def errors(self, what: str) -> Iterator[None]:
        """Turn SQLite's errors into ours."""
        try:
            yield
        except sqlite3.OperationalError as exc:
            told = f"{what} {self.path}: {exc}; see that the disk is not full and the folder may be written"
            busy = "locked" in str(exc) or "full" in str(exc) or "I/O" in str(exc)
            raise (StoreUnavailableError if busy else StoreError)(told) from exc
        except sqlite3.Error as exc:
            raise StoreError(f"{what} {self.path}: {exc}; is it a readings database of Traywarden?") from exc

    def _bring_up(self) -> None:
        """Run the migrations that the file lacks, all or none."""
        version = int(self.writer.execute("PRAGMA user_version").fetchone()[0])
        if version > len(_MIGRATIONS):
            raise NewerSchemaError(
                f"{self.path} has schema {version}, this Traywarden knows up to {len(_MIGRATIONS)}: a newer version "
                "wrote it. Install that version again, or restore a backup made before it"
            )
        if version < len(_MIGRATIONS):
            self.in_transaction("bringing up", self._migrate)

    def _migrate(self) -> None:
        """Run the migrations that the file lacks, unless another process has done so meanwhile."""
        version = int(self.writer.execute("PRAGMA user_version").fetchone()[0])
        for migration in _MIGRATIONS[version:]:
            for statement in migration.split(";"):
                self.writer.execute(statement)
        if version < _WITH_MARKS:
            self._first_marks(self.writer)
        self.writer.execute(f"PRAGMA user_version={len(_MIGRATIONS)}")

    def in_transaction(self, what: str, work: Callable[[], None]) -> None:
        """Do some writing, all or nothing, on disk when this returns."""
        with self._lock, self.errors(what):
            if self._closed:
                raise StoreError(f"{what} {self.path}: it is closed")
            self.writer.execute("BEGIN IMMEDIATE")
            try:
                work()
                self.writer.execute("COMMIT")
            except BaseException:
                if self.writer.in_transaction:
                    self.writer.execute("ROLLBACK")
                raise

    def reader(self) -> sqlite3.Connection:
        """Return this thread's read-only connection; a cursor held open on it would stop checkpoints."""
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            address = f"{self.path.resolve().as_uri()}?mode=ro"
            connection = sqlite3.connect(address, uri=True, timeout=_BUSY_SECONDS, check_same_thread=False)
            self._local.connection = connection
            with self._lock:
                self._readers.append(connection)
        return connection

    def shrink(self) -> None:
        """Give pages that stand empty back to the disk, where they are many; in small steps, writers come between.

        A file that an older version began is written anew once, which holds writers up while it lasts.
        """
        with self.errors("shrinking"):
            pages, empty = self._pages()
            if empty < max(_WORTH_SHRINKING, pages // 4):
                return
            with self._lock:
                if int(self.writer.execute("PRAGMA auto_vacuum").fetchone()[0]) == 0:
                    self.writer.execute("PRAGMA auto_vacuum=INCREMENTAL")
                    self.writer.execute("VACUUM")
            while self._pages()[1]:
                with self._lock:
                    # as a script: executed as a query it would stop after its first page
                    self.writer.executescript(f"PRAGMA incremental_vacuum({_PAGES_AT_ONCE})")
            with self._lock:  # the log is cut where no reader is in the way, else at another time
                self.writer.execute("PRAGMA busy_timeout=0")
                self.writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
                self.writer.execute(f"PRAGMA busy_timeout={int(_BUSY_SECONDS * 1000)}")

    def _pages(self) -> tuple[int, int]:
        """Return how many pages the file has, and how many of them stand empty."""
        with self._lock:
            counts = [self.writer.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count")]
        return int(counts[0]), int(counts[1])

    def close(self) -> bool:
        """Let go of the file; return whether it was open."""
        with self._lock:
            if self._closed:
                return False
            self._closed = True
            for reader in self._readers:
                reader.close()
            self.writer.close()
            return True
