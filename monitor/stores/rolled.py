"""The rolled-up series as they are kept: one small packed row for each sensor and UTC day, always true to the readings.

A writer marks each (sensor, day) that it touches, in the same transaction; a mark says that the packed row, if there
is one, no longer holds. `read_rolled` takes packed rows where there is no mark and rolls up the readings themselves
where there is one, so what it returns never depends on when the marks were last worked off.
"""

from __future__ import annotations

import struct
import zlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from monitor.errors import StoreError
from monitor.fixedpoint import as_fixed, values_of
from monitor.readings import Block, from_ms, to_ms
from monitor.rolling import DAY_MS, Bins, Rolled, Width, coarser, hand_on, join, no_bins, roll

_VERSION = 1
_HEAD = struct.Struct("<BbH")
_AS_REAL = -1
_DAY_BITS, _DAY_ZERO = 20, 1 << 19
_SPAN_DAYS = 31

Read = Callable[[Sequence[str], datetime, datetime], Block]


def day_key(sensor: int, day: int) -> int:
    """Return the one number under which a sensor's day is kept; days of one sensor follow each other."""
    return (sensor << _DAY_BITS) + day + _DAY_ZERO


def day_of(key: int) -> int:
    """Return the day, counted from 1970, of such a number."""
    return (key & ((1 << _DAY_BITS) - 1)) - _DAY_ZERO


def sensor_of(key: int) -> int:
    """Return the sensor's number of such a key."""
    return key >> _DAY_BITS


def keys_touched(sensors: Sequence[int], numbers: Sequence[int], at_ms: NDArray[np.int64]) -> set[int]:
    """Return the days that some readings fall on, as keys.

    Args:
        sensors: Numbers of the sensors that the readings are of.
        numbers: Number of each reading's sensor, n of them.
        at_ms: Instants, shape (n,). [ms since 1970 UTC]
    """
    first, last = int(at_ms.min()) // DAY_MS, int(at_ms.max()) // DAY_MS
    if first == last:  # as they come in: all of one day
        return {(sensor << _DAY_BITS) + last + _DAY_ZERO for sensor in sensors}
    keys = (np.array(numbers, dtype=np.int64) << _DAY_BITS) + at_ms // DAY_MS + _DAY_ZERO
    return set(np.unique(keys).tolist())


# -- one day, packed -------------------------------------------------------------------------------------------


def _pack_whole(column: NDArray[np.int64]) -> bytes:
    """Return whole numbers in as few bytes each as the largest needs, low bytes first, then the next ..."""
    zigzag = ((column << 1) ^ (column >> 63)).view(np.uint64)
    top = int(zigzag.max(initial=0))
    size = next(each for each in (1, 2, 4, 8) if top < 1 << (8 * each))
    planes = zigzag.astype(f"<u{size}").view(np.uint8).reshape(-1, size).T
    return bytes([size]) + planes.tobytes()


def _unpack_whole(packed: bytes, at: int, n: int) -> tuple[NDArray[np.int64], int]:
    """Return whole numbers, and where the next column begins."""
    size = packed[at]
    end = at + 1 + n * size
    planes = np.frombuffer(packed, dtype=np.uint8, count=n * size, offset=at + 1).reshape(size, n)
    zigzag = np.ascontiguousarray(planes.T).view(f"<u{size}").reshape(n).astype(np.uint64)
    return ((zigzag >> np.uint64(1)) ^ (np.uint64(0) - (zigzag & np.uint64(1)))).view(np.int64), end


def pack_day(bins: Bins) -> bytes:
    """Return the bins of one UTC day as a packed row; ``unpack_day`` gives them back to the last bit."""
    n = len(bins)
    some = bins.good > 0
    real = np.concatenate([bins.low[some], bins.high[some], bins.total[some]])
    fixed = as_fixed(real)
    whole = fixed.fits.all() and np.abs(fixed.steps).max(initial=0) < 1 << 50 and bins.good.max(initial=0) < 1 << 12
    columns = [np.diff((bins.from_ms % DAY_MS) // Width.FIVE_MINUTES, prepend=0), bins.count, bins.count - bins.good]
    packed = b"".join(_pack_whole(column) for column in columns)
    if whole:
        low, high, total = np.split(fixed.steps, 3)
        packed += b"".join(
            _pack_whole(column) for column in (np.diff(low, prepend=0), high - low, total - low * bins.good[some])
        )
    else:
        packed += real.astype("<f8").tobytes()
    return _HEAD.pack(_VERSION, fixed.places if whole else _AS_REAL, n) + zlib.compress(packed, 6)


def unpack_day(row: bytes, day: int) -> Bins:
    """Return a packed row's bins.

    Raises:
        StoreError: It was packed by another version, or is damaged.
    """
    try:
        version, places, n = _HEAD.unpack_from(row)
        if version != _VERSION:
            raise StoreError(f"a rolled-up day has version {version}, not {_VERSION}; run `traywarden rebuild`")
        packed = zlib.decompress(row[_HEAD.size :])
        slot, at = _unpack_whole(packed, 0, n)
        count, at = _unpack_whole(packed, at, n)
        bad, at = _unpack_whole(packed, at, n)
        good = count - bad
        some = good > 0
        held = int(some.sum())
        if places == _AS_REAL:
            low, high, total = np.split(np.frombuffer(packed, dtype="<f8", count=3 * held, offset=at), 3)
        else:
            steps, at = _unpack_whole(packed, at, held)
            above, at = _unpack_whole(packed, at, held)
            more, at = _unpack_whole(packed, at, held)
            steps = np.cumsum(steps)
            low, high = values_of(steps, places), values_of(steps + above, places)
            total = values_of(more + steps * good[some], places)
    except (struct.error, zlib.error, ValueError, IndexError) as exc:
        raise StoreError(f"a rolled-up day is damaged ({exc}); run `traywarden rebuild`") from exc

    def spread(column: NDArray[np.float64], empty: float) -> NDArray[np.float64]:
        if held == n:
            return column
        out = np.full(n, empty)
        out[some] = column
        return out

    from_ms = day * DAY_MS + np.cumsum(slot) * Width.FIVE_MINUTES
    return Bins(
        from_ms=from_ms,
        count=count,
        good=good,
        total=spread(total, 0.0),
        low=spread(low, np.nan),
        high=spread(high, np.nan),
    )


# -- many days -------------------------------------------------------------------------------------------------


def days_together(days: Iterable[int]) -> list[tuple[int, int]]:
    """Return days as spans (first, last) of days that follow each other, no span longer than a month."""
    spans: list[tuple[int, int]] = []
    for day in sorted(days):
        if spans and day == spans[-1][1] + 1 and day - spans[-1][0] < _SPAN_DAYS:
            spans[-1] = (spans[-1][0], day)
        else:
            spans.append((day, day))
    return spans


def roll_days(read: Read, sensor: str, days: Iterable[int]) -> dict[int, Bins]:
    """Return some days of one sensor rolled up from its readings; a day without a reading is left out."""
    found: dict[int, Bins] = {}
    for first, last in days_together(days):
        block = read([sensor], from_ms(first * DAY_MS), from_ms((last + 1) * DAY_MS))
        bins = roll(block.measured_at_ms, block.value, block.flag)
        day = bins.from_ms // DAY_MS
        edges = np.searchsorted(day, np.arange(first, last + 2)).tolist()
        for number in range(first, last + 1):
            begin, end = edges[number - first], edges[number - first + 1]
            if end > begin:
                found[number] = bins.part(slice(begin, end))
    return found


def span_of(start: datetime, end: datetime, width: Width) -> tuple[int, int]:
    """Return start and end, in ms since 1970, widened to whole bins."""
    return to_ms(start) // width * width, -(-to_ms(end) // width) * width


def series_of(days: Mapping[int, Bins], start_ms: int, end_ms: int, width: Width) -> Bins:
    """Return one sensor's days as bins of a width, within a span of whole bins."""
    whole = join([days[day] for day in sorted(days)])
    first, last = np.searchsorted(whole.from_ms, [start_ms, end_ms]).tolist()
    bins = whole.part(slice(first, last)) if last > first else no_bins()
    return bins if width is Width.FIVE_MINUTES else coarser(bins, width)


def rolled_on_read(read: Read, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
    """Return rolled-up series worked out from the readings, for a store that keeps none; see ReadingStore.rolled."""
    start_ms, end_ms = span_of(start, end, width)
    days = range(start_ms // DAY_MS, -(-end_ms // DAY_MS))
    series = [series_of(roll_days(read, name, days), start_ms, end_ms, width) for name in sensors]
    return hand_on(sensors, series, width)


class RolledOnRead(ABC):
    """What a store that keeps no rolled-up series answers; see ReadingStore."""

    @abstractmethod
    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""

    def rolled(self, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
        """Return rolled-up series, worked out from the readings; see ReadingStore.rolled."""
        return rolled_on_read(self.read, sensors, start, end, width)

    def roll_up(self, until: datetime) -> int:
        """Do nothing: this store rolls up on reading."""
        return 0

    def rebuild_rolled(self) -> int:
        """Do nothing: this store rolls up on reading."""
        return 0
