"""What the sensors say now: the last hours of each, bounded in memory, fed by every committed block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.readings import Block, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """The last hours of one sensor, oldest first, usable readings only.

    Attributes:
        measured_at_ms: Shape (n,), int64, ascending. [ms since 1970 UTC]
        value: Shape (n,). [stored unit]
    """

    measured_at_ms: NDArray[np.int64]
    value: NDArray[np.float64]


class LiveState(Protocol):
    """The present of every sensor; can always be rebuilt from the store."""

    def latest(self, sensor: str) -> Reading | None:
        """Return a sensor's newest usable reading, or None."""
        ...

    def recent(self, sensor: str, since: datetime) -> Recent:
        """Return a sensor's usable readings from an instant on, as far back as they are held."""
        ...

    def last_heard(self, sensor: str) -> datetime | None:
        """Return the instant of a sensor's newest reading of any flag, or None."""
        ...

    def usual_interval(self, sensor: str) -> timedelta | None:
        """Return how often a sensor usually speaks, learned from what is held; None: not known yet."""
        ...

    def take(self, block: Block) -> None:
        """Take in a committed block."""
        ...

    def rebuild(self, sensors: Sequence[str], block: Block) -> None:
        """Start again from a block read from the store."""
        ...
