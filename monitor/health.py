"""How the monitor itself is: its broker, its disk, its clock; values only, pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

CLOCK_MAY_STEP = timedelta(minutes=2)
"""A clock that is set by so much has jumped; time servers move it by less. Ours."""
LITTLE_DISK_SHARE, LITTLE_DISK_BYTES = 0.05, 2_000_000_000
"""A disk with less than both left is nearly full. Ours."""
NO_DISK_BYTES = 100_000_000


SILENT_AFTER = timedelta(minutes=2)
"""A process beside this one that gave no sign of life, and a room that nobody watched, for so long is told. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A process that gives no sign of life any more, or a room that nobody watches.

    Attributes:
        name: Its name.
        since: Since when.
    """

    name: str
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How the monitor was found.

    Attributes:
        broker_gone_since: Since when the broker has not answered; None: it does, or none is listened to.
        trouble: What keeps readings from being taken in though the broker answers; None: nothing.
        trouble_since: Since when.
        disk_free_bytes: What is left on the disk that holds ledger and readings; None: not known. [bytes]
        disk_free_share: The same as a share of the disk. [0-1]
        clock_jumped_at: When the machine's clock was last seen to jump, by the new time; None: never.
        clock_jumped_by: By how much, forward positive.
        silent_collectors: Collectors beside this process, not retired, that gave no sign of life lately.
        collectors: How many collectors there are beside this process, silent ones too.
        silent_watchers: Watchers beside this process that ended without a word.
        unwatched: Rooms that no process watches.
    """

    broker_gone_since: datetime | None = None
    trouble: str | None = None
    trouble_since: datetime | None = None
    disk_free_bytes: int | None = None
    disk_free_share: float = 1.0
    clock_jumped_at: datetime | None = None
    clock_jumped_by: timedelta = timedelta(0)
    silent_collectors: tuple[Silent, ...] = ()
    collectors: int = 0
    silent_watchers: tuple[Silent, ...] = ()
    unwatched: tuple[Silent, ...] = ()

    @property
    def disk_is_nearly_full(self) -> bool:
        """Tell whether little is left on the disk."""
        free = self.disk_free_bytes
        return free is not None and free < LITTLE_DISK_BYTES and self.disk_free_share < LITTLE_DISK_SHARE

    @property
    def is_well(self) -> bool:
        """Tell whether readings are taken in, there is room for them, and every room is watched."""
        silent = self.silent_collectors or self.silent_watchers or self.unwatched
        return self.broker_gone_since is None and self.trouble is None and not self.disk_is_nearly_full and not silent
