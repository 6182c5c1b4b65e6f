"""Readings from one store into another, month by month: resumable, each month read back and counted before the next.

What was copied is remembered by a mark of each sensor and month, so that the next run finds what was corrected since,
or came in late, by reading the source alone, and copies that.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.errors import StoreError
from monitor.readings import Block
from monitor.stores.protocol import ReadingStore

PROGRESS_FILE = "migrate.json"
SCHEMA = "traywarden.migrating/1"
_SENSORS_AT_ONCE = 25
_FIRST_YEAR = 1970


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What came of a migration.

    Attributes:
        copied: Readings copied in this run.
        found: Of them, those that the target gives back, each with its value, flag and doubt.
        source: Readings that the source keeps.
        target: Readings that the target keeps.
        late: Of them, those of months that an earlier run had copied: corrected since, or come in late.
        from_on: The month that this run began with.
    """

    copied: int
    found: int
    source: int
    target: int
    late: int
    from_on: datetime


def months(first: datetime, last: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield (begin, end) of the months from the first's to the last's, in UTC."""
    year, month = first.year, first.month
    while (begin := datetime(year, month, 1, tzinfo=UTC)) <= last:
        year, month = (year, month + 1) if month < 12 else (year + 1, 1)
        yield begin, datetime(year, month, 1, tzinfo=UTC)


class Progress:
    """How far a migration has come, in a small file, so that it goes on where it was broken off."""

    def __init__(self, path: Path, way: str) -> None:
        """Read what is known of the same way; another way is begun anew.

        Args:
            path: The file.
            way: From where to where; what it says is compared.
        """
        self._path, self._way = path, way
        self._until: datetime | None = None
        self._marks: dict[str, dict[str, str]] = {}
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            if told.get("way") == way:
                self._until = datetime.fromisoformat(told["done_until"])
                self._marks = {str(month): dict(marks) for month, marks in told["marks"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            self._until, self._marks = None, {}

    def done_until(self) -> datetime | None:
        """Return the end of the last month that was copied, or None."""
        return self._until

    def marks(self, month: datetime) -> dict[str, str]:
        """Return the mark of what was copied of a month, by sensor; see mark_of."""
        return self._marks.get(f"{month:%Y-%m}", {})

    def note(self, month: datetime, marks: Mapping[str, str], *, until: datetime | None = None) -> None:
        """Keep what was copied of a month.

        Args:
            month: Its begin.
            marks: The mark of each sensor.
            until: The end of the last month that was copied; None: as before.

        Raises:
            StoreError: It cannot be written.
        """
        self._until = until or self._until
        if self._until is None:
            return
        self._marks[f"{month:%Y-%m}"] = dict(marks)
        beside = self._path.with_name(f".{self._path.name}.new")
        told = {"schema": SCHEMA, "way": self._way, "done_until": self._until.isoformat(), "marks": self._marks}
        try:
            with beside.open("w", encoding="utf-8") as text:
                json.dump(told, text)
                text.flush()
                os.fsync(text.fileno())
            beside.replace(self._path)
        except OSError as exc:
            raise StoreError(f"{self._path} cannot be written: {exc}") from exc

    def end(self) -> None:
        """Forget it: all is copied."""
        self._path.unlink(missing_ok=True)
        self._until, self._marks = None, {}


def mark_of(block: Block, sensor: int) -> str:
    """Return a mark of one sensor's readings of a block; it differs where an instant, value, flag or doubt does."""
    own = block.rows(np.flatnonzero(block.sensor_index == sensor))
    said = hashlib.blake2b(digest_size=8)
    for column in (own.measured_at_ms, own.value, own.flag, own.doubt):
        said.update(column.tobytes())
    return said.hexdigest()


def first_month(source: ReadingStore, sensors: Sequence[str], last: datetime) -> datetime | None:
    """Return the first month in which any sensor has a reading, or None; found by halving, sensor by sensor."""
    edges = [begin for begin, _ in months(datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC), last)]
    edges.append(last + timedelta(seconds=1))
    earliest = len(edges) - 1
    for sensor in sensors:
        low, high = 0, earliest
        if not len(source.read([sensor], edges[low], edges[high])):
            continue
        while high - low > 1:
            middle = (low + high) // 2
            if len(source.read([sensor], edges[low], edges[middle])):
                high = middle
            else:
                low = middle
        earliest = low
    return edges[earliest] if earliest < len(edges) - 1 else None


def in_it(target: ReadingStore, block: Block, begin: datetime, end: datetime) -> NDArray[np.bool_]:
    """Return which readings of a block another store gives back just so: value, flag and doubt. Shape (n,)."""
    other = target.read(block.sensors, begin, end)

    def keyed(of: Block) -> np.ndarray[tuple[int], np.dtype[np.void]]:
        table = np.empty(len(of), dtype=[("s", "<i4"), ("t", "<i8"), ("v", "<f8"), ("f", "i1"), ("d", "<i2")])
        table["s"], table["t"], table["v"] = of.sensor_index, of.measured_at_ms, of.value
        table["f"], table["d"] = of.flag, of.doubt
        return table

    return np.isin(keyed(block), keyed(other))


def migrate(
    source: ReadingStore,
    target: ReadingStore,
    progress: Progress,
    *,
    tell: Callable[[int, int], None] = lambda _done, _months: None,
) -> Moved:
    """Copy all readings, month by month from where the last run was broken off, and count what has arrived.

    Then the months that were copied before are looked at, and what has changed of them is copied again.

    Args:
        source: Where they are.
        target: Where they go; what it has already is kept, the source's readings win.
        progress: Where the last run was broken off.
        tell: Told (months done, months in all) after each.

    Raises:
        StoreError: One of them did not do what was asked, or does not give back what was put in; what was copied
            before is noted, and the same call goes on from there.
    """
    sensors = source.sensors()
    newest = [each.measured_at for each in source.latest(sensors).values()]
    last = max(newest, default=datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC))
    first = first_month(source, sensors, last)
    if first is None:
        return Moved(copied=0, found=0, source=source.count(), target=target.count(), late=0, from_on=last)
    begun = progress.done_until() or first
    # what is new first, so that a run that is broken off again and again comes on; then what was copied before
    new, before = list(months(begun, last)), [each for each in months(first, begun) if each[0] < begun]
    copied = late = 0
    for number, (begin, end) in enumerate([*new, *before], start=1):
        marks = progress.marks(begin)
        count = _copy_month(source, target, begin, end, sensors, marks, is_late=begin < begun)
        copied, late = copied + count, late + (count if begin < begun else 0)
        if end <= last:  # the last month may still grow: it is no end, and the next run looks at it again
            progress.note(begin, marks, until=end if begin >= begun else None)
        tell(number, len(new) + len(before))
    return Moved(copied=copied, found=copied, source=source.count(), target=target.count(), late=late, from_on=begun)


def _only(block: Block, places: Sequence[int]) -> Block:
    """Return the readings of some sensors of a block, and no others' names."""
    own = block.rows(np.flatnonzero(np.isin(block.sensor_index, places)))
    lookup = np.zeros(len(block.sensors), dtype=np.int32)
    lookup[list(places)] = np.arange(len(places))
    return replace(own, sensors=tuple(block.sensors[at] for at in places), sensor_index=lookup[own.sensor_index])


def _copy_month(
    source: ReadingStore,
    target: ReadingStore,
    begin: datetime,
    end: datetime,
    sensors: Sequence[str],
    marks: dict[str, str],
    *,
    is_late: bool,
) -> int:
    """Copy those sensors' readings of a month that are not what was copied before; return how many that were.

    Args:
        source: Where they are.
        target: Where they go.
        begin: Begin of the month.
        end: Its end.
        sensors: All sensors.
        marks: What was copied of the month before, by sensor; holds what is copied when this returns.
        is_late: It was copied before: only those readings are that the target does not have just so.

    Raises:
        StoreError: One of them did not do what was asked, or does not give back what was put in.
    """
    copied = 0
    for at in range(0, len(sensors), _SENSORS_AT_ONCE):
        read = source.read(sensors[at : at + _SENSORS_AT_ONCE], begin, end)
        found = {place: mark_of(read, place) for place in np.unique(read.sensor_index).tolist()}
        changed = [place for place, mark in found.items() if marks.get(read.sensors[place]) != mark]
        block = _only(read, changed)
        if is_late and len(block):
            block = block.rows(np.flatnonzero(~in_it(target, block, begin, end)))
        if len(block):
            target.append(block)
        arrived = int(in_it(target, block, begin, end).sum()) if len(block) else 0
        if arrived != len(block):
            raise StoreError(
                f"of {len(block)} readings of {begin:%B %Y} only {arrived} came back from the target; nothing was "
                "taken from the source. See the target's limits (how long it keeps readings), and run it again"
            )
        marks |= {read.sensors[place]: found[place] for place in changed}
        copied += len(block)
    return copied
