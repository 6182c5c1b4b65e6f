"""How the look-back reads a store: the batch's own readings as they are, everything beside it rolled up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from monitor.banded import Series
from monitor.readings import USABLE, Block, to_ms
from monitor.reviewrecord import Reader
from monitor.rolling import Rolled, Width
from monitor.stores.protocol import ReadingStore

_GOOD = [int(flag) for flag in USABLE]


class Reads:
    """Reads each sensor once over a span of time and hands out parts of it.

    Attributes:
        begin: From when.
        end: Until when.
        width: Of the bins; None: readings as they are.
        rows: How many rows were read from the store, readings and rolled-up bins.
    """

    def __init__(self, store: ReadingStore, begin: datetime, end: datetime, *, width: Width | None) -> None:
        """Take a store and the span that will be asked for; width: of the bins, None for readings as they are."""
        self._store = store
        self.begin, self.end, self.width = begin, end, width
        self._kept: dict[str, Series] = {}
        self.rows = 0

    @property
    def sensors(self) -> tuple[str, ...]:
        """Return the sensors that were read so far."""
        return tuple(self._kept)

    def series(self, sensor: str, start: datetime, end: datetime) -> Series:
        """Return usable readings of a sensor with start <= instant < end."""
        whole = self._kept.get(sensor)
        if whole is None:
            whole = self._kept[sensor] = self._read(sensor)
        first, last = np.searchsorted(whole.at_ms, [to_ms(start), to_ms(end)])
        return Series(at_ms=whole.at_ms[first:last], value=whole.value[first:last], speaks_ms=whole.speaks_ms)

    def block(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return the same as a block, as pictures read it."""
        parts = [self.series(sensor, start, end) for sensor in sensors]
        counts = [len(part.at_ms) for part in parts]
        total = sum(counts)
        return Block(
            sensors=tuple(sensors),
            sensor_index=np.repeat(np.arange(len(parts), dtype=np.int32), counts),
            measured_at_ms=np.concatenate([part.at_ms for part in parts]) if parts else np.empty(0, dtype=np.int64),
            value=np.concatenate([part.value for part in parts]) if parts else np.empty(0),
            flag=np.ones(total, dtype=np.int8),
            doubt=np.zeros(total, dtype=np.int16),
        )

    def _read(self, sensor: str) -> Series:
        """Return the whole span of a sensor."""
        if self.width is not None:
            found = self._store.rolled([sensor], self.begin, self.end, self.width)
            self.rows += len(found.from_ms)
            return _means(found)
        block = self._store.read([sensor], self.begin, self.end)
        self.rows += len(block)
        good = np.isin(block.flag, _GOOD)
        return Series.of(block.measured_at_ms[good], block.value[good])


def _means(found: Rolled) -> Series:
    """Return the means of bins that hold anything good."""
    good = found.good > 0
    return Series.of(found.from_ms[good], found.mean[good])


def reader(reads: Reads) -> Reader:
    """Return what hands out a sensor's readings."""
    return reads.series
