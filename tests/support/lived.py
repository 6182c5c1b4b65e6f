"""Batches to look back on: readings from arrays, on Saltcellar Farm."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import numpy as np

from monitor.banded import Series
from monitor.readings import to_ms
from monitor.reviewrecord import Reader


def reader(arrays: Mapping[str, tuple[np.ndarray, np.ndarray]]) -> Reader:
    """Return a reader of sensors whose (instants in ms, values) are given; another sensor has no rows."""

    def read(sensor: str, start: datetime, end: datetime) -> Series:
        at_ms, value = arrays.get(sensor, (np.empty(0, dtype=np.int64), np.empty(0)))
        first, last = np.searchsorted(at_ms, [to_ms(start), to_ms(end)])
        return Series.of(at_ms[first:last], value[first:last])

    return read
