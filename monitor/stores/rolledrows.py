"""Rolled-up days beside the readings in one SQLite file: which hold, which are marked, and how marks are worked off."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import datetime

from monitor.readings import to_ms
from monitor.rolling import DAY_MS, Bins, Rolled, Width, hand_on
from monitor.stores import catalog
from monitor.stores.rolled import Read, day_key, day_of, pack_day, roll_days, sensor_of, series_of, span_of, unpack_day

_AT_ONCE = 7
"""Days of one sensor that are rolled up in one transaction: writers wait as long as it lasts."""


class RolledRows:
    """The tables ``rolled`` (key, packed day) and ``stale`` (key); connections and transactions are the store's.

    The store's own writes and everything that works off marks are transactions that exclude each other, so a mark
    that is taken away stands for readings that have been read. Days before ``kept_from``, whose readings were let
    go by rule, keep what was rolled up of them: a mark there means nothing.
    """

    def __init__(self, read: Read) -> None:
        """Take how the store's readings are read: all of them, wherever they are kept."""
        self._read = read
        self._marked: set[int] = set()
        self._others_wrote = -1

    def forget(self) -> None:
        """Forget which marks are known to stand: a transaction came to nothing."""
        self._marked.clear()

    def mark(self, writer: sqlite3.Connection, days: set[int]) -> None:
        """Note that these days do not hold any more; called within the transaction that changes their readings."""
        version = int(writer.execute("PRAGMA data_version").fetchone()[0])
        if version != self._others_wrote:  # another process may have worked off the marks that we remember
            self._others_wrote = version
            self._marked.clear()
        fresh = days - self._marked
        if fresh:
            writer.executemany("INSERT OR IGNORE INTO stale (key) VALUES (?)", [(key,) for key in fresh])
            self._marked |= fresh

    def mark_all(self, writer: sqlite3.Connection) -> None:
        """Mark every day that has a reading, or is rolled up; called within a transaction."""
        writer.execute("INSERT OR IGNORE INTO stale (key) SELECT key FROM rolled")
        for (sensor,) in writer.execute("SELECT id FROM sensor").fetchall():
            keys = [(day_key(sensor, day),) for day in days_with_rows(writer, sensor) | days_in_files(writer, sensor)]
            writer.executemany("INSERT OR IGNORE INTO stale (key) VALUES (?)", keys)
        self._marked.clear()

    def marked_before(self, reader: sqlite3.Connection, until: datetime) -> list[tuple[int, list[int]]]:
        """Return (sensor number, keys) of marked days that end by ``until``, a week of days at most together."""
        before = to_ms(until) // DAY_MS
        by_sensor: dict[int, list[int]] = {}
        for (key,) in reader.execute("SELECT key FROM stale").fetchall():
            if day_of(key) < before:
                by_sensor.setdefault(sensor_of(key), []).append(key)
        return [
            (sensor, keys[begin : begin + _AT_ONCE])
            for sensor, keys in by_sensor.items()
            for begin in range(0, len(keys), _AT_ONCE)
        ]

    def roll(self, writer: sqlite3.Connection, sensor: int, keys: Sequence[int]) -> None:
        """Roll up some days of one sensor and take their marks away; called within a transaction."""
        name = writer.execute("SELECT name FROM sensor WHERE id = ?", (sensor,)).fetchone()[0]
        frozen = _frozen_before(writer)
        anew = [key for key in keys if day_of(key) >= frozen]
        days = roll_days(self._read, name, [day_of(key) for key in anew])
        writer.executemany("DELETE FROM rolled WHERE key = ?", [(key,) for key in anew])
        writer.executemany(
            "INSERT INTO rolled (key, bins) VALUES (?, ?)",
            [(day_key(sensor, day), pack_day(bins)) for day, bins in days.items()],
        )
        writer.executemany("DELETE FROM stale WHERE key = ?", [(key,) for key in keys])
        self._marked.difference_update(keys)

    def rolled(
        self, reader: sqlite3.Connection, sensors: Sequence[str], start: datetime, end: datetime, width: Width
    ) -> Rolled:
        """Return rolled-up series; see ReadingStore.rolled."""
        start_ms, end_ms = span_of(start, end, width)
        first, last = start_ms // DAY_MS, -(-end_ms // DAY_MS) - 1
        series = [series_of(self._days_of(reader, name, first, last), start_ms, end_ms, width) for name in sensors]
        return hand_on(sensors, series, width)

    def _days_of(self, reader: sqlite3.Connection, name: str, first: int, last: int) -> dict[int, Bins]:
        """Return one sensor's days: packed ones where they hold, else worked out from the readings."""
        found = reader.execute("SELECT id FROM sensor WHERE name = ?", (name,)).fetchone()
        if found is None:
            return {}
        ends = (day_key(found[0], first), day_key(found[0], last))
        # marks first: a day that is rolled up between the two is worked out here too, and is as true
        stale = reader.execute("SELECT key FROM stale WHERE key BETWEEN ? AND ?", ends).fetchall()
        packed = reader.execute("SELECT key, bins FROM rolled WHERE key BETWEEN ? AND ?", ends).fetchall()
        frozen = _frozen_before(reader)
        marked = {day_of(key) for (key,) in stale if day_of(key) >= frozen}
        held = {day_of(key): bins for key, bins in packed}
        days = {day: unpack_day(bins, day) for day, bins in held.items() if day not in marked}
        return days | roll_days(self._read, name, marked)


def _frozen_before(connection: sqlite3.Connection) -> int:
    """Return the first day, counted from 1970, whose readings were not let go by rule."""
    return catalog.state(connection, "kept_from") // DAY_MS


def days_with_rows(connection: sqlite3.Connection, sensor: int) -> set[int]:
    """Return the UTC days, counted from 1970, on which a sensor has rows: one look a day, not one a row."""
    days = set()
    query = "SELECT min(at) FROM reading WHERE sensor = ? AND at >= ?"
    (at,) = connection.execute("SELECT min(at) FROM reading WHERE sensor = ?", (sensor,)).fetchone()
    while at is not None:
        day = at // DAY_MS
        days.add(day)
        (at,) = connection.execute(query, (sensor, (day + 1) * DAY_MS)).fetchone()
    return days


def days_in_files(connection: sqlite3.Connection, sensor: int) -> set[int]:
    """Return the UTC days within the spans of a sensor's compacted readings, those without a reading too."""
    spans = catalog.entries_of(connection, sensor, -(2**62), 2**62)
    return {day for entry in spans for day in range(entry.first_ms // DAY_MS, entry.last_ms // DAY_MS + 1)}
