"""How the monitor itself is: its broker, its disk, its clock; values only, pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

CLOCK_MAY_STEP = timedelta(minutes=2)
"""A clock that is set by so much has jumped; time servers move it by less. Ours."""
LITTLE_DISK_SHARE, LITTLE_DISK_BYTES = 0.05, 2_000_000_000
"""A disk with less than both left is nearly full. Ours."""
NO_DISK_BYTES = 100_000_000


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
    """

    broker_gone_since: datetime | None = None
    trouble: str | None = None
    trouble_since: datetime | None = None
    disk_free_bytes: int | None = None
    disk_free_share: float = 1.0
    clock_jumped_at: datetime | None = None
    clock_jumped_by: timedelta = timedelta(0)

    @property
    def disk_is_nearly_full(self) -> bool:
        """Tell whether little is left on the disk."""
        free = self.disk_free_bytes
        return free is not None and free < LITTLE_DISK_BYTES and self.disk_free_share < LITTLE_DISK_SHARE

    @property
    def is_well(self) -> bool:
        """Tell whether readings are taken in and there is room for them."""
        return self.broker_gone_since is None and self.trouble is None and not self.disk_is_nearly_full
