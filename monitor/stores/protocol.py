"""What every place where readings are kept can do; SQLite and InfluxDB stand behind this one protocol."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from monitor.readings import Block, Reading
from monitor.rolling import Rolled, Width


class ReadingStore(Protocol):
    """A store of readings keyed by (sensor, instant in ms); the same reading twice is one reading."""

    def append(self, block: Block) -> None:
        """Keep the block; when this returns it is on disk. The same key again: the later one wins.

        Raises:
            StoreUnavailableError: Nothing was promised; give the same block again later.
            RejectedRowsError: All rows were stored but the ones that it carries.
        """
        ...

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings with start <= instant < end, ordered by sensor as given, then instant.

        A sensor that the store has never seen has no rows; ``Block.sensors`` equals ``sensors``.
        """
        ...

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; a sensor without one is left out."""
        ...

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors that have ever had a reading, sorted."""
        ...

    def count(self) -> int:
        """Return how many readings are kept."""
        ...

    def rolled(self, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
        """Return rolled-up series: whole bins that share any time with start <= t < end, ordered as ``read`` does.

        Always true to the readings that are kept, late, corrected and revised ones too, whether or not
        ``roll_up`` has been called; a bin without a reading has no row. ``Rolled.sensors`` equals ``sensors``.
        """
        ...

    def roll_up(self, until: datetime) -> int:
        """Work off what has to be rolled up afresh on UTC days that end by ``until``; return how many sensor-days.

        It only makes ``rolled`` faster. A store that rolls up on reading has nothing to do and returns 0.
        """
        ...

    def rebuild_rolled(self) -> int:
        """Work out all rolled-up series afresh from the readings; return how many sensor-days."""
        ...

    def close(self) -> None:
        """Let go of files and connections; a second call does nothing."""
        ...
