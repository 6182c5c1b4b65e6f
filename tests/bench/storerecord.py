"""The SIMULATED records that `make bench-store` keeps in each store: what is said of a format depends on them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from monitor.series import Series

SERIES = 100
IN_A_MESSAGE = 4
MINUTE_MS = 60_000
MONTH_ROWS = 43_200
BEGIN_MS = 1_672_531_200_000  # 2023-01-01T00:00:00Z
JITTER_MS = 440
NOISE_STEPS = 1.0
DOUBTFUL = 0.001


class Clocks(StrEnum):
    """When readings are taken."""

    EXACT = "exact"  # on the minute, all series at once
    JITTER = "jitter"  # 0 to 440 ms after it, each reading by itself: one message each
    PACKS = "jitter, packs of 4"  # 0 to 440 ms after it, four series in one message


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A simulated record: SERIES sensors, a reading a minute each.

    Attributes:
        clocks: When readings are taken.
        seed: Of all that is random in it.
        rows: Readings of each series.
    """

    clocks: Clocks
    seed: int
    rows: int

    def __len__(self) -> int:
        """Return the number of readings."""
        return self.rows * SERIES

    @property
    def months(self) -> int:
        """Return in how many pieces of thirty days it is made."""
        return -(-self.rows // MONTH_ROWS)

    def name(self, series: int) -> str:
        """Return what a series is called."""
        return f"s{series:03d}"

    def piece(self, series: int, month: int) -> Series:
        """Return thirty days of one series: a daily wave, slow weather, and white noise of one 0.01 step (sd)."""
        first = month * MONTH_ROWS
        minute = np.arange(first, min(first + MONTH_ROWS, self.rows), dtype=np.int64)
        rng = np.random.default_rng([self.seed, series, month])
        wave = 21 + series % 7 + 2 * np.sin(2 * np.pi * (minute + 97 * series) / 1440)
        weather = 0.8 * np.sin(2 * np.pi * (minute + 1_013 * series) / (1440 * 6.3))
        steps = np.rint(100 * (wave + weather) + rng.normal(0, NOISE_STEPS, len(minute)))
        doubtful = rng.random(len(minute)) < DOUBTFUL
        return Series(
            at_ms=BEGIN_MS + minute * MINUTE_MS + self._jitter(series, month, len(minute)),
            value=steps / 100,
            flag=np.where(doubtful, 3, 1).astype(np.int8),
            doubt=np.zeros(len(minute), dtype=np.int16),
        )

    def _jitter(self, series: int, month: int, n: int) -> NDArray[np.int64]:
        """Return how long after the minute each reading is taken. [ms]."""
        if self.clocks is Clocks.EXACT:
            return np.zeros(n, dtype=np.int64)
        sender = series if self.clocks is Clocks.JITTER else 10_000 + series // IN_A_MESSAGE
        return np.random.default_rng([self.seed, 1, sender, month]).integers(0, JITTER_MS + 1, n)

    def pieces(self) -> Iterator[tuple[int, int, Series]]:
        """Yield (month, series, readings), month by month."""
        for month in range(self.months):
            for series in range(SERIES):
                yield month, series, self.piece(series, month)

    def span(self, days: int, share: float) -> tuple[int, int]:
        """Return the first and last instant, in ms since 1970, of some days that begin at a share of the record."""
        length = days * 1440 * MINUTE_MS
        room = max(0, self.rows * MINUTE_MS - length)
        start = BEGIN_MS + int(room * share) // MINUTE_MS * MINUTE_MS
        return start, start + length
