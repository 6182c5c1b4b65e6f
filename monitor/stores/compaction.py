"""Readings move from rows into files: written, read back, compared, named, and only then taken out of the rows.

Each step leaves the store whole: killed anywhere, all readings are there once, and the next compaction tidies up.
"""

from __future__ import annotations

import fcntl
import hashlib
import logging
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Protocol

from monitor.errors import StoreError, StoreUnavailableError
from monitor.readings import to_ms
from monitor.series import Series, overlay
from monitor.sharing import Sharing
from monitor.stores import catalog
from monitor.stores.catalog import Entry, FileFacts, month_of, month_start
from monitor.stores.history import HistoryFile, groups_by_width, write_history

log = logging.getLogger(__name__)

UNFINISHED = ".unfinished"
MOST_SERIES = 32
MOST_READINGS = 1_500_000
_DELETED_AT_ONCE = 20_000
_CHUNK = 1 << 20


class Rows(Protocol):
    """What compaction asks of the store whose rows it moves."""

    folder: Path

    def reader(self) -> sqlite3.Connection:
        """Return a read-only connection for this thread."""
        ...

    def writer(self) -> sqlite3.Connection:
        """Return the writing connection, used within ``in_transaction`` only."""
        ...

    def in_transaction(self, what: str, work: Callable[[], None]) -> None:
        """Do some writing, all or nothing."""
        ...

    def rows_of(self, sensor: int, start_ms: int, end_ms: int) -> Series:
        """Return a sensor's rows of a span."""
        ...

    def file(self, name: str) -> HistoryFile:
        """Return a file of compacted readings, open."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Compacted:
    """What a compaction did.

    Attributes:
        readings: Rows that moved into files.
        files: Files that were written.
        size: Their length together. [bytes]
    """

    readings: int = 0
    files: int = 0
    size: int = 0

    def __add__(self, other: Compacted) -> Compacted:
        """Return both together."""
        return Compacted(
            readings=self.readings + other.readings, files=self.files + other.files, size=self.size + other.size
        )


@contextmanager
def locked(folder: Path, *, wait: bool) -> Iterator[None]:
    """See that no other process compacts into a folder meanwhile, or takes a copy of it.

    Raises:
        StoreUnavailableError: Another one does, and is not to be waited for; or the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / ".lock").open("w")
    except OSError as exc:
        raise StoreUnavailableError(
            f"the folder {folder} cannot be written: {exc}; no reading has left its place"
        ) from exc
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError as exc:
            raise StoreUnavailableError(
                "another compaction or a backup of these readings is running; wait until it is done"
            ) from exc
        yield


def _no_step(_name: str) -> None:
    """Go on."""


class Compaction:
    """One compaction of a store; ``step`` is told of each step, for tests that end the process there."""

    def __init__(self, rows: Rows, step: Callable[[str], None] = _no_step) -> None:
        """Take the store."""
        self._rows, self._step = rows, step

    def run(self, until: datetime) -> Compacted:
        """Move all rows before ``until``.

        Raises:
            StoreUnavailableError: Another compaction is running.
            StoreError: A file could not be written, or did not read back as it was written; no row has left.
        """
        with locked(self._rows.folder, wait=False):
            self.tidy()
            done = Compacted()
            for month, sensors in sorted(self._touched(to_ms(until)).items()):
                end_ms = min(month_start(month + 1), to_ms(until))
                for members, old in self._units(month, sensors):
                    done += self._move(month, end_ms, members, old)
            return done

    def tidy(self) -> None:
        """Take away files that were never finished, or that others have taken the place of."""
        strays = catalog.strays(self._rows.reader())
        if not strays:
            return
        for name in strays:
            (self._rows.folder / name).unlink(missing_ok=True)
            (self._rows.folder / (name + UNFINISHED)).unlink(missing_ok=True)
        self._step("unlinked")
        self._rows.in_transaction("tidying", lambda: catalog.forget(self._rows.writer(), strays))

    def _touched(self, until_ms: int) -> dict[int, dict[int, int]]:
        """Return month -> sensor -> first instant of its rows there, of rows before an instant."""
        reader = self._rows.reader()
        query = "SELECT min(at) FROM reading WHERE sensor = ? AND at >= ?"
        months: dict[int, dict[int, int]] = {}
        for (sensor,) in reader.execute("SELECT id FROM sensor").fetchall():
            (at,) = reader.execute("SELECT min(at) FROM reading WHERE sensor = ?", (sensor,)).fetchone()
            while at is not None and at < until_ms:
                month = month_of(at)
                months.setdefault(month, {})[sensor] = at
                (at,) = reader.execute(query, (sensor, month_start(month + 1))).fetchone()
        return months

    def _units(self, month: int, sensors: Mapping[int, int]) -> Iterator[tuple[list[int], list[str]]]:
        """Yield (sensors, files that they are in now): what is written anew together."""
        entries = catalog.entries_in(self._rows.reader(), month)
        in_file = {entry.sensor: entry.file for entry in entries}
        for name in sorted({in_file[sensor] for sensor in sensors if sensor in in_file}):
            yield [entry.sensor for entry in entries if entry.file == name], [name]
        # series of one message begin together, and so stand beside each other
        fresh = sorted((sensor for sensor in sensors if sensor not in in_file), key=lambda each: (sensors[each], each))
        together: list[int] = []
        readings = 0
        for sensor in fresh:
            more = self._count(sensor, month)
            if together and (len(together) == MOST_SERIES or readings + more > MOST_READINGS):
                yield together, []
                together, readings = [], 0
            together.append(sensor)
            readings += more
        if together:
            yield together, []

    def _count(self, sensor: int, month: int) -> int:
        """Return how many rows a sensor has in a month."""
        query = "SELECT count(*) FROM reading WHERE sensor = ? AND at >= ? AND at < ?"
        span = (sensor, month_start(month), month_start(month + 1))
        return int(self._rows.reader().execute(query, span).fetchone()[0])

    def _move(self, month: int, end_ms: int, sensors: Sequence[int], old: Sequence[str]) -> Compacted:
        """Move some sensors' rows of a month, which stay together in files."""
        rows = {sensor: self._rows.rows_of(sensor, month_start(month), end_ms) for sensor in sensors}
        names = self._names(sensors)
        before = {names[s]: series for s in sensors if (series := self._old(old, names[s])) is not None}
        merged = {names[s]: overlay(before[names[s]], rows[s]) if names[s] in before else rows[s] for s in sensors}
        done = Compacted()
        if not all(name in before and merged[name].same_as(before[name]) for name in merged):
            numbers = {name: sensor for sensor, name in names.items()}
            written = [self._write(month, groups, merged) for groups in groups_by_width(merged)]
            self._switch(month, written, merged, numbers, old)
            done = Compacted(files=len(written), size=sum(facts.size for facts, _ in written))
        for sensor, series in rows.items():
            self._delete(sensor, series)
        self._step("deleted")
        self.tidy()
        return done + Compacted(readings=sum(len(series) for series in rows.values()))

    def _names(self, sensors: Sequence[int]) -> dict[int, str]:
        """Return the names of sensors."""
        reader = self._rows.reader()
        query = "SELECT name FROM sensor WHERE id = ?"
        return {sensor: reader.execute(query, (sensor,)).fetchone()[0] for sensor in sensors}

    def _old(self, files: Sequence[str], name: str) -> Series | None:
        """Return what files hold of a sensor by now; None: nothing."""
        for each in files:
            file = self._rows.file(each)
            if name in file.held:
                return file.read(name, -(2**62), 2**62)
        return None

    def _write(
        self, month: int, groups: Sequence[Sharing], series: Mapping[str, Series]
    ) -> tuple[FileFacts, list[str]]:
        """Write groups of series as one file that is complete, compared and on disk under its final name."""
        path = self._new_path(month)
        self._step("noted")
        unfinished = path.with_name(path.name + UNFINISHED)
        try:
            write_history(unfinished, groups, series, step=self._step)
            with unfinished.open("rb+") as file:
                os.fsync(file.fileno())
        except OSError as exc:
            unfinished.unlink(missing_ok=True)  # a full disk has no room for half a file
            raise StoreUnavailableError(
                f"{unfinished} cannot be written: {exc}; its readings stay where they are"
            ) from exc
        self._step("written")
        names = [name for group in groups for name in group.names]
        _compare(unfinished, {name: series[name] for name in names})
        self._step("compared")
        os.replace(unfinished, path)
        _sync_folder(path.parent)
        self._step("named")
        facts = FileFacts(
            name=path.name,
            month=month,
            readings=sum(len(series[name]) for name in names),
            size=path.stat().st_size,
            sha256=sha256_of(path),
        )
        return facts, names

    def _new_path(self, month: int) -> Path:
        """Note a file that is about to be written; its name is new even where somebody put files into the folder."""
        names: list[str] = []

        def note() -> None:
            while not names or (self._rows.folder / names[-1]).exists():
                catalog.forget(self._rows.writer(), names)
                names.append(catalog.note_writing(self._rows.writer(), month))

        self._rows.in_transaction("noting a file in", note)
        return self._rows.folder / names[-1]

    def _switch(
        self,
        month: int,
        written: Sequence[tuple[FileFacts, list[str]]],
        series: Mapping[str, Series],
        numbers: Mapping[str, int],
        old: Sequence[str],
    ) -> None:
        """Let the new files take the place of the old ones; rows beside them are the same readings still."""
        entries = [
            Entry(
                sensor=numbers[name],
                month=month,
                file=facts.name,
                readings=len(series[name]),
                first_ms=int(series[name].at_ms[0]),
                last_ms=int(series[name].at_ms[-1]),
            )
            for facts, names in written
            for name in names
        ]
        files = [facts for facts, _ in written]
        self._rows.in_transaction("taking files into", lambda: catalog.switch(self._rows.writer(), files, entries, old))
        self._step("switched")

    def _delete(self, sensor: int, series: Series) -> None:
        """Take rows out that are in a file now; one that was corrected meanwhile is another row, and stays."""
        for begin in range(0, len(series), _DELETED_AT_ONCE):
            some = series.part(slice(begin, begin + _DELETED_AT_ONCE))
            self._rows.in_transaction("moving readings out of", partial(self._delete_some, sensor, some))
            self._step("deleting")

    def _delete_some(self, sensor: int, series: Series) -> None:
        """Take rows out, at once where they are still what they were, else one by one; called within a transaction."""
        writer, (first, last) = self._rows.writer(), series.at_ms[[0, -1]].tolist()
        if self._rows.rows_of(sensor, first, last + 1).same_as(series):
            writer.execute("DELETE FROM reading WHERE sensor = ? AND at BETWEEN ? AND ?", (sensor, first, last))
            return
        query = "DELETE FROM reading WHERE sensor = ? AND at = ? AND value = ? AND flag = ? AND doubt = ?"
        columns = (series.at_ms.tolist(), series.value.tolist(), series.flag.tolist(), series.doubt.tolist())
        writer.executemany(query, [(sensor, *row) for row in zip(*columns, strict=True)])


def _compare(path: Path, series: Mapping[str, Series]) -> None:
    """Read a file back.

    Raises:
        StoreError: It is not what was written.
    """
    file = HistoryFile(path)
    try:
        for name, each in series.items():
            if not file.read(name, -(2**62), 2**62).same_as(each):
                raise StoreError(f"{path} does not read back as it was written, at {name}; its readings stay rows")
    finally:
        file.close()


def _sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
