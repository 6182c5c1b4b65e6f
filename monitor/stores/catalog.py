"""Which files hold the compacted readings: the tables of the readings file that say so, read and changed here."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from monitor.readings import from_ms, to_ms

CATALOG_SQL = """
    CREATE TABLE history_file (
        name TEXT PRIMARY KEY, month INTEGER NOT NULL, state TEXT NOT NULL, readings INTEGER NOT NULL,
        bytes INTEGER NOT NULL, sha256 TEXT NOT NULL
    );
    CREATE TABLE history (
        sensor INTEGER NOT NULL, month INTEGER NOT NULL, file TEXT NOT NULL, readings INTEGER NOT NULL,
        first INTEGER NOT NULL, last INTEGER NOT NULL, PRIMARY KEY (sensor, month)
    ) WITHOUT ROWID;
    CREATE INDEX history_by_file ON history (file);
    CREATE TABLE history_state (name TEXT PRIMARY KEY, value INTEGER NOT NULL);
    INSERT INTO history_state VALUES ('version', 0), ('files', 0), ('compacted_at', 0), ('kept_from', -10000000000000)
"""

WRITING, LIVE, GONE = "writing", "live", "gone"


def month_of(at_ms: int) -> int:
    """Return the UTC month of an instant, counted from January 1970."""
    at = from_ms(at_ms)
    return (at.year - 1970) * 12 + at.month - 1


def month_start(month: int) -> int:
    """Return the first instant of a month. [ms since 1970 UTC]."""
    return to_ms(datetime(1970 + month // 12, month % 12 + 1, 1, tzinfo=UTC))


def month_name(month: int) -> str:
    """Return a month as 2026-03."""
    return f"{1970 + month // 12:04d}-{month % 12 + 1:02d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One sensor's readings of one month in one file.

    Attributes:
        sensor: The sensor's number.
        month: Counted from January 1970.
        file: Name of the file.
        readings: How many.
        first_ms: The first instant. [ms since 1970 UTC]
        last_ms: The last instant. [ms since 1970 UTC]
    """

    sensor: int
    month: int
    file: str
    readings: int
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """One file of compacted readings.

    Attributes:
        name: Its name in the folder ``history``.
        month: Counted from January 1970.
        readings: How many it holds.
        size: Its length. [bytes]
        sha256: Its SHA-256 in hexadecimal.
    """

    name: str
    month: int
    readings: int
    size: int
    sha256: str


_ENTRY = "SELECT sensor, month, file, readings, first, last FROM history"


def _entries(rows: Iterable[tuple[int, int, str, int, int, int]]) -> list[Entry]:
    """Return rows as entries."""
    return [
        Entry(sensor=sensor, month=month, file=file, readings=readings, first_ms=first, last_ms=last)
        for sensor, month, file, readings, first, last in rows
    ]


def state(connection: sqlite3.Connection, name: str) -> int:
    """Return one of the numbers that are kept beside: version, files, compacted_at, kept_from (both ms)."""
    return int(connection.execute("SELECT value FROM history_state WHERE name = ?", (name,)).fetchone()[0])


def set_state(connection: sqlite3.Connection, name: str, value: int) -> None:
    """Change one of the numbers that are kept beside; called within a transaction."""
    connection.execute("UPDATE history_state SET value = ? WHERE name = ?", (value, name))


def entries_of(connection: sqlite3.Connection, sensor: int, start_ms: int, end_ms: int) -> list[Entry]:
    """Return where a sensor's compacted readings of a span are, in order of time."""
    query = f"{_ENTRY} WHERE sensor = ? AND first < ? AND last >= ? ORDER BY month"
    return _entries(connection.execute(query, (sensor, end_ms, start_ms)).fetchall())


def newest_of(connection: sqlite3.Connection, sensor: int) -> Entry | None:
    """Return where a sensor's newest compacted reading is; None: it has none."""
    found = _entries(connection.execute(f"{_ENTRY} WHERE sensor = ? ORDER BY month DESC LIMIT 1", (sensor,)).fetchall())
    return found[0] if found else None


def all_entries(connection: sqlite3.Connection) -> list[Entry]:
    """Return where all compacted readings are."""
    return _entries(connection.execute(f"{_ENTRY} ORDER BY sensor, month").fetchall())


def entries_in(connection: sqlite3.Connection, month: int) -> list[Entry]:
    """Return where the compacted readings of a month are."""
    return _entries(connection.execute(f"{_ENTRY} WHERE month = ? ORDER BY sensor", (month,)).fetchall())


def files(connection: sqlite3.Connection) -> list[FileFacts]:
    """Return all files that hold compacted readings, oldest month first."""
    query = "SELECT name, month, readings, bytes, sha256 FROM history_file WHERE state = ? ORDER BY month, name"
    return [
        FileFacts(name=name, month=month, readings=readings, size=size, sha256=sha256)
        for name, month, readings, size, sha256 in connection.execute(query, (LIVE,)).fetchall()
    ]


def note_writing(connection: sqlite3.Connection, month: int) -> str:
    """Note that a file is about to be written, and return its name, which no file ever had."""
    number = state(connection, "files") + 1
    set_state(connection, "files", number)
    name = f"{month_name(month)}-{number:06d}.parquet"
    connection.execute("INSERT INTO history_file VALUES (?, ?, ?, 0, 0, '')", (name, month, WRITING))
    return name


def switch(
    connection: sqlite3.Connection, new: Iterable[FileFacts], entries: Iterable[Entry], old: Iterable[str]
) -> None:
    """Let files take the place of older ones; called within a transaction."""
    for name in old:
        connection.execute("DELETE FROM history WHERE file = ?", (name,))
        connection.execute("UPDATE history_file SET state = ? WHERE name = ?", (GONE, name))
    for each in new:
        connection.execute(
            "UPDATE history_file SET state = ?, readings = ?, bytes = ?, sha256 = ? WHERE name = ?",
            (LIVE, each.readings, each.size, each.sha256, each.name),
        )
    connection.executemany(
        "INSERT INTO history VALUES (?, ?, ?, ?, ?, ?)",
        [(each.sensor, each.month, each.file, each.readings, each.first_ms, each.last_ms) for each in entries],
    )
    set_state(connection, "version", state(connection, "version") + 1)


def let_go(connection: sqlite3.Connection, month: int) -> int:
    """Give up all files of months before one; called within a transaction. Returns how many readings they held."""
    (count,) = connection.execute("SELECT sum(readings) FROM history WHERE month < ?", (month,)).fetchone()
    if count:
        connection.execute("DELETE FROM history WHERE month < ?", (month,))
        connection.execute("UPDATE history_file SET state = ? WHERE month < ?", (GONE, month))
        set_state(connection, "version", state(connection, "version") + 1)
    return int(count or 0)


def strays(connection: sqlite3.Connection) -> list[str]:
    """Return files that were never finished, or that others have taken the place of."""
    query = "SELECT name FROM history_file WHERE state <> ?"
    return [row[0] for row in connection.execute(query, (LIVE,)).fetchall()]


def forget(connection: sqlite3.Connection, names: Iterable[str]) -> None:
    """Forget files that are no longer on disk; called within a transaction."""
    connection.executemany("DELETE FROM history_file WHERE name = ?", [(name,) for name in names])
