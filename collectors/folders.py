"""Folders into which loggers put CSV files: a file at rest is read, each row once, and a bad one is set aside by name.

A file is read once nothing was written to it for a while; of one that goes on growing only what is new is read. Good
files stay where they are. What cannot be read is moved to ``set-aside`` beside them, with the reason in a text file.
"""

from __future__ import annotations

import codecs
import logging
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from collectors import csvfile
from collectors.csvfile import Manner, Wish
from collectors.decode import Decoded, Decoding
from collectors.intake import Intake
from collectors.pipeline import Message
from collectors.seenfiles import Done, SeenFiles, digest
from monitor.clock import Clock
from monitor.errors import FeedError, ImportFileError, StoreError
from monitor.farm import Sensor
from monitor.feeds import WatchedFolder
from monitor.units import factor_and_offset

log = logging.getLogger(__name__)

SET_ASIDE = "set-aside"
TOPIC = "file/"
_UNFINISHED = (".tmp", ".part", ".partial", ".crdownload", ".filepart", ".swp", ".lock", "~")
_LARGEST = 256 * 1024 * 1024
_ROWS_AT_ONCE = 1_000
_FAULTS_TOLD = 50
"""Lines of one file in the quarantine, which is small; the last one says how many more there are."""
MORE_LINES = "more lines of this file cannot be read"
"""What the last of them ends in."""
_OPEN_END = 10
"""A last line without a line end may be half a line: it is read after so many times the usual rest."""
_KEYS = "what the options above settle is set by the keys of the same name under [[folder]] in farm.toml"


@dataclass(slots=True)
class _Resting:
    """A file as it was last seen, since when it has been so, and whether all of it was read then."""

    size: int
    changed_ns: int
    since: datetime
    is_read: bool = False


def whole_lines(data: bytes, encoding: str | None) -> int:
    """Return how many bytes of a file's beginning are whole lines.

    Args:
        data: The file so far.
        encoding: Its given encoding; None: UTF-8, or what its byte order mark says.
    """
    name = (encoding or "").casefold().replace("_", "-")
    if data.startswith(codecs.BOM_UTF16_BE) or name == "utf-16-be":
        end, width = b"\0\n", 2
    elif data.startswith(codecs.BOM_UTF16_LE) or name.startswith("utf-16"):
        end, width = b"\n\0", 2
    else:
        end, width = b"\n", 1
    at = len(data)
    while (at := data.rfind(end, 0, at)) >= 0:
        if at % width == 0:
            return at + width
        at += width - 1
    return 0


def wish_of(folder: WatchedFolder, sensors: Mapping[str, Sensor]) -> Wish:
    """Return how the files of a folder are to be read.

    Raises:
        UnitError: A column's unit is none of its sensor's.
    """
    columns = {}
    for column, (name, unit) in folder.columns.items():
        sensor = sensors[name]
        columns[column] = (sensor, *factor_and_offset(unit or sensor.unit, sensor.quantity))
    return Wish(
        time_column=folder.time_column,
        columns=columns,
        delimiter=folder.delimiter,
        time_format=folder.time_format,
        zone=ZoneInfo(folder.zone) if folder.zone else None,
        decimal=folder.decimal,
        skip_lines=folder.skip_lines,
        encoding=folder.encoding,
    )


class FolderCollector:
    """Looks into the watched folders until stopped."""

    name = "folders"

    def __init__(
        self,
        folders: Sequence[WatchedFolder],
        sensors: Mapping[str, Sensor],
        intake: Intake,
        *,
        clock: Clock,
        seen: SeenFiles,
    ) -> None:
        """Take the folders, the farm's sensors, where readings go, and what was read before."""
        self._wishes = [(folder, wish_of(folder, sensors)) for folder in folders]
        self._intake, self._clock, self._seen = intake, clock, seen
        self._resting: dict[str, _Resting] = {}
        self._troubles: dict[str, str] = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def trouble(self) -> str | None:
        """Return what is wrong with the folders or the store; None: nothing."""
        return "; ".join(self._troubles.values()) or None

    def start(self) -> None:
        """Look until stopped, in a thread."""
        self._thread = threading.Thread(target=self._run, name="folders", daemon=True)
        self._thread.start()

    def stop(self, within: timedelta = timedelta(seconds=10)) -> None:
        """End the thread; a file that is being read is read again from its last row stored."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(within.total_seconds())

    def _run(self) -> None:
        """Look, a few times in the shortest rest that a folder asks for."""
        rest_s = min((folder.settle.total_seconds() for folder, _ in self._wishes), default=30.0)
        while not self._stopping.wait(min(max(rest_s / 3, 0.5), 10.0)):
            try:
                self.look(self._clock())
            except Exception:
                log.exception("folders.unexpected")

    def look(self, now: datetime) -> int:
        """Read what is at rest by ``now``; return how many readings came of it."""
        found = 0
        for folder, wish in self._wishes:
            try:
                names = sorted(path for path in folder.path.iterdir() if self._is_meant(path))
                self._note(folder.id, None)
            except OSError as exc:
                self._note(folder.id, f"folder {folder.id}: {folder.path} cannot be looked into: {exc.strerror}")
                continue
            for path in names:
                if self._stopping.is_set():
                    return found
                try:
                    found += self._look_at(folder, wish, path, now)
                    self._note(f"{folder.id}/{path.name}", None)
                except (StoreError, OSError) as exc:  # tried again at the next look
                    self._note(f"{folder.id}/{path.name}", f"{path}: {exc}")
        return found

    @staticmethod
    def _is_meant(path: Path) -> bool:
        """Tell whether a file may be a logger's: no hidden one, and none that somebody is still copying."""
        name = path.name.casefold()
        return not name.startswith(".") and not name.endswith(_UNFINISHED) and path.is_file()

    def _look_at(self, folder: WatchedFolder, wish: Wish, path: Path, now: datetime) -> int:
        """Read a file that is at rest and has something new; return how many readings that were."""
        state = path.stat()
        key = f"{folder.id}/{path.name}"
        known = self._resting.get(key)
        if known is None or (known.size, known.changed_ns) != (state.st_size, state.st_mtime_ns):
            self._resting[key] = _Resting(state.st_size, state.st_mtime_ns, now)
            return 0
        rested = now - known.since
        if known.is_read or rested < folder.settle:
            return 0
        try:
            data = self._bytes_at_rest(path, folder, whole=rested >= _OPEN_END * folder.settle)
            done = self._seen.of(key)
            if done is not None and (len(data) < done.bytes or digest(data[: done.bytes]) != done.sha256):
                done = None  # another file under the same name
            is_new = done is None or len(data) > done.bytes
            found = self._read(folder, wish, path.name, data, done, now) if is_new else 0
        except (ImportFileError, FeedError) as exc:
            self._put_aside(folder, path, f"{exc}", now)
            return 0
        known.is_read = len(data) == state.st_size
        return found

    @staticmethod
    def _bytes_at_rest(path: Path, folder: WatchedFolder, *, whole: bool) -> bytes:
        """Return a file's bytes up to its last line end, or all of them.

        Raises:
            FeedError: It is too large.
        """
        if path.stat().st_size > _LARGEST:
            raise FeedError(f"{path.name}: larger than 256 MB; bring it in with `traywarden import`")
        data = path.read_bytes()
        return data if whole else data[: whole_lines(data, folder.encoding)]

    def _read(self, folder: WatchedFolder, wish: Wish, name: str, data: bytes, done: Done | None, now: datetime) -> int:
        """Store the rows that are new, and note how far the file was read; return how many readings that were.

        Raises:
            ImportFileError: It can be read two ways or none, or not one row of it can be read.
            StoreError: They cannot be stored now; what was stored before is noted.
        """
        if len(data.splitlines()) <= wish.skip_lines + 1:
            return 0  # a header, and no row yet
        readings, rows_before = 0, done.rows if done else 0
        with TemporaryDirectory(prefix="traywarden-") as place:
            copy = Path(place) / name  # what was hashed is what is read, whatever the logger does meanwhile
            copy.write_bytes(data)
            manner = csvfile.look_over(copy, wish)
            batch: list[Message] = []
            for message in self._messages(folder, wish, copy, manner, rows_before, now):
                batch.append(message)
                readings += len(message.given.values) if message.given else 0
                if len(batch) >= _ROWS_AT_ONCE:
                    self._intake.take(batch)
                    batch = []
            if done is None and readings == 0 and batch:
                faults = next((each.given.faults for each in batch if each.given and each.given.faults), ["no value"])
                raise ImportFileError(f"{name}: not one row could be read; the first: {faults[0]}")
            if batch:
                self._intake.take(batch)
        self._seen.note(f"{folder.id}/{name}", Done(rows=manner.rows, bytes=len(data), sha256=digest(data)))
        log.info("file.read folder=%s file=%s rows=%s readings=%s", folder.id, name, manner.rows, readings)
        return readings

    def _messages(
        self, folder: WatchedFolder, wish: Wish, copy: Path, manner: Manner, skip: int, now: datetime
    ) -> Iterator[Message]:
        """Yield one message for each row, and for each fault."""
        topic = f"{TOPIC}{folder.id}"
        faults: list[tuple[int, str]] = []
        for row in csvfile.read_values(copy, wish, manner, lambda line, why: faults.append((line, why)), skip=skip):
            at_s = row.at.timestamp()
            values = [Decoded(sensor, value, at_s, at_s) for sensor, value in row.values]
            payload = f"{copy.name}, line {row.line}".encode()
            yield Message(topic, payload, now, given=Decoding(values, [], keeps_times=True))
        for number, (line, why) in enumerate(faults):
            where = f"{copy.name}, line {line}"
            last = number + 1 == _FAULTS_TOLD and len(faults) > _FAULTS_TOLD
            more = f"; {len(faults) - _FAULTS_TOLD} {MORE_LINES}" if last else ""
            yield Message(topic, where.encode(), now, given=Decoding([], [f"{where}: {why}{more}"], keeps_times=True))
            if last:
                return

    def _put_aside(self, folder: WatchedFolder, path: Path, why: str, now: datetime) -> None:
        """Move a file that cannot be read beside the others, with the reason; it is named in the quarantine too."""
        place = folder.path / SET_ASIDE
        place.mkdir(exist_ok=True)
        target, number = place / path.name, 1
        while target.exists():
            number += 1
            target = place / f"{path.stem}-{number}{path.suffix}"
        told = f"{why}; {_KEYS}" if " --" in why else why
        path.rename(target)
        target.with_name(f"{target.name}.why.txt").write_text(
            f"{path.name} was set aside at {now.isoformat()}:\n{told}\nMend it and put it back into {folder.path}.\n",
            encoding="utf-8",
        )
        log.warning("file.set_aside folder=%s file=%s to=%s why=%s", folder.id, path.name, target, told)
        self._resting.pop(f"{folder.id}/{path.name}", None)
        self._seen.forget(f"{folder.id}/{path.name}")
        lies = f"{told}; it lies in {target} now: mend it and put it back into {folder.path}"
        self._intake.pipeline.set_aside(Message(f"{TOPIC}{folder.id}", path.name.encode(), now), lies)

    def _note(self, what: str, trouble: str | None) -> None:
        """Keep what is wrong, and say each change of it once."""
        if trouble is None:
            self._troubles.pop(what, None)
        elif self._troubles.get(what) != trouble:
            self._troubles[what] = trouble
            log.warning("folders.trouble what=%s why=%s", what, trouble)
