"""Readings from one store into another, month by month: resumable, each month read back and counted before the next."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

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
        from_on: The month that this run began with.
    """

    copied: int
    found: int
    source: int
    target: int
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

    def done_until(self) -> datetime | None:
        """Return the end of the last month that was copied, or None."""
        try:
            told = json.loads(self._path.read_text(encoding="utf-8"))
            if told.get("way") == self._way:
                return datetime.fromisoformat(told["done_until"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            pass
        return None

    def note(self, until: datetime) -> None:
        """Keep the end of a month that was copied.

        Raises:
            StoreError: It cannot be written.
        """
        beside = self._path.with_name(f".{self._path.name}.new")
        try:
            with beside.open("w", encoding="utf-8") as text:
                json.dump({"schema": SCHEMA, "way": self._way, "done_until": until.isoformat()}, text)
                text.flush()
                os.fsync(text.fileno())
            beside.replace(self._path)
        except OSError as exc:
            raise StoreError(f"{self._path} cannot be written: {exc}") from exc

    def end(self) -> None:
        """Forget it: all is copied."""
        self._path.unlink(missing_ok=True)


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


def found_in(target: ReadingStore, block: Block, begin: datetime, end: datetime) -> int:
    """Return how many readings of a block another store gives back just so: value, flag and doubt."""
    other = target.read(block.sensors, begin, end)

    def keyed(of: Block) -> np.ndarray[tuple[int], np.dtype[np.void]]:
        table = np.empty(len(of), dtype=[("s", "<i4"), ("t", "<i8"), ("v", "<f8"), ("f", "i1"), ("d", "<i2")])
        table["s"], table["t"], table["v"] = of.sensor_index, of.measured_at_ms, of.value
        table["f"], table["d"] = of.flag, of.doubt
        return table

    return int(np.isin(keyed(block), keyed(other)).sum())


def migrate(
    source: ReadingStore,
    target: ReadingStore,
    progress: Progress,
    *,
    tell: Callable[[int, int], None] = lambda _done, _months: None,
) -> Moved:
    """Copy all readings, month by month from where the last run was broken off, and count what has arrived.

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
    begun = progress.done_until() or first_month(source, sensors, last)
    all_months = list(months(begun, last)) if begun is not None and newest else []
    copied = found = 0
    for number, (begin, end) in enumerate(all_months, start=1):
        for at in range(0, len(sensors), _SENSORS_AT_ONCE):
            block = source.read(sensors[at : at + _SENSORS_AT_ONCE], begin, end)
            if not len(block):
                continue
            target.append(block)
            arrived = found_in(target, block, begin, end)
            if arrived != len(block):
                raise StoreError(
                    f"of {len(block)} readings of {begin:%B %Y} only {arrived} came back from the target; nothing was "
                    "taken from the source. See the target's limits (how long it keeps readings), and run it again"
                )
            copied, found = copied + len(block), found + arrived
        if end <= last:
            progress.note(end)  # the last month may still grow, so the next run copies it again
        tell(number, len(all_months))
    return Moved(copied=copied, found=found, source=source.count(), target=target.count(), from_on=begun or last)
