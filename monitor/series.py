"""One sensor's readings in order of time, as columns; how an older set and a newer one become one; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.readings import Block

_ROW = np.dtype([("at", np.int64), ("value", np.float64), ("flag", np.int8), ("doubt", np.int16)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings of one sensor, instants ascending, none twice.

    Attributes:
        at_ms: Shape (n,), int64. [ms since 1970 UTC]
        value: Shape (n,), float64. [stored unit]
        flag: Shape (n,), int8, values of Flag.
        doubt: Shape (n,), int16, bits of Doubt.
    """

    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int8]
    doubt: NDArray[np.int16]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.at_ms)

    @staticmethod
    def from_rows(rows: Sequence[tuple[int, float, int, int]]) -> Series:
        """Return rows of (ms, value, flag, doubt), in order, as a series."""
        table = np.fromiter(rows, dtype=_ROW, count=len(rows))
        return Series(
            at_ms=np.ascontiguousarray(table["at"]),
            value=np.ascontiguousarray(table["value"]),
            flag=np.ascontiguousarray(table["flag"]),
            doubt=np.ascontiguousarray(table["doubt"]),
        )

    def part(self, rows: slice | NDArray[np.bool_] | NDArray[np.intp]) -> Series:
        """Return some of the readings, which must keep their order."""
        return Series(at_ms=self.at_ms[rows], value=self.value[rows], flag=self.flag[rows], doubt=self.doubt[rows])

    def between(self, start_ms: int, end_ms: int) -> Series:
        """Return readings with start <= instant < end."""
        if not len(self) or (start_ms <= self.at_ms[0] and self.at_ms[-1] < end_ms):
            return self
        first, last = np.searchsorted(self.at_ms, [start_ms, end_ms]).tolist()
        return self.part(slice(first, last))

    def same_as(self, other: Series) -> bool:
        """Tell whether two series are equal to the last bit."""
        return (
            np.array_equal(self.at_ms, other.at_ms)
            and np.array_equal(self.value.view(np.int64), other.value.view(np.int64))
            and np.array_equal(self.flag, other.flag)
            and np.array_equal(self.doubt, other.doubt)
        )


def no_series() -> Series:
    """Return a series without a reading."""
    return Series.from_rows(())


def chain(parts: Sequence[Series]) -> Series:
    """Return series of which each begins after the one before has ended as one."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return no_series()
    return Series(
        at_ms=np.concatenate([each.at_ms for each in parts]),
        value=np.concatenate([each.value for each in parts]),
        flag=np.concatenate([each.flag for each in parts]),
        doubt=np.concatenate([each.doubt for each in parts]),
    )


def overlay(older: Series, newer: Series) -> Series:
    """Return all readings of both; where both have an instant the newer one wins."""
    if not len(older) or not len(newer):
        return newer if len(newer) else older
    both = chain([older, newer])
    if older.at_ms[-1] < newer.at_ms[0]:
        return both
    order = np.argsort(both.at_ms, kind="stable")
    at_ms = both.at_ms[order]
    last = np.append(at_ms[1:] != at_ms[:-1], True)
    return both.part(order[last])


def block_of(sensors: Sequence[str], series: Sequence[Series]) -> Block:
    """Return one series a sensor as a block, in the order of the sensors."""
    whole = chain(series)
    index = np.repeat(np.arange(len(series)), [len(each) for each in series])
    return Block(
        sensors=tuple(sensors),
        sensor_index=index.astype(np.int32),
        measured_at_ms=whole.at_ms,
        value=whole.value,
        flag=whole.flag,
        doubt=whole.doubt,
    )
