"""Looks at the monitor itself: is the broker there, is there room on the disk, did the clock jump."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

from monitor.health import CLOCK_MAY_STEP, Health


class Collector(Protocol):
    """What is asked of a collector."""

    @property
    def is_connected(self) -> bool:
        """Tell whether the broker answers."""
        ...

    @property
    def trouble(self) -> str | None:
        """Return what is wrong, or None."""
        ...


class SelfWatch:
    """Remembers since when something has been wrong."""

    def __init__(
        self,
        folder: Path,
        *,
        running_s: Callable[[], float] = time.monotonic,
        disk: Callable[[Path], tuple[int, int, int]] = shutil.disk_usage,
    ) -> None:
        """Take the folder whose disk counts, a clock that nobody sets, and how a disk is asked."""
        self._folder, self._running_s, self._disk = folder, running_s, disk
        self._gone_since: datetime | None = None
        self._trouble_since: datetime | None = None
        self._last: tuple[datetime, float] | None = None
        self._jump: tuple[datetime, timedelta] | None = None

    def look(self, now: datetime, collector: Collector | None) -> Health:
        """Return how the monitor is at ``now``."""
        gone = collector is not None and not collector.is_connected
        trouble = collector.trouble if collector is not None and not gone else None
        self._gone_since = (self._gone_since or now) if gone else None
        self._trouble_since = (self._trouble_since or now) if trouble else None
        free, share = self._room()
        return Health(
            broker_gone_since=self._gone_since,
            trouble=trouble,
            trouble_since=self._trouble_since,
            disk_free_bytes=free,
            disk_free_share=share,
            clock_jumped_at=self._jump[0] if self._jump else None,
            clock_jumped_by=self._jump[1] if self._jump else timedelta(0),
        )

    def note_clock(self, now: datetime) -> None:
        """Note whether the clock moved otherwise than time has passed since the last note.

        Args:
            now: What the machine's clock shows at this very moment; no instant that is only looked at.
        """
        running_s = self._running_s()
        if self._last is not None:
            by = (now - self._last[0]) - timedelta(seconds=running_s - self._last[1])
            if abs(by) >= CLOCK_MAY_STEP:
                self._jump = (now, by)
        self._last = (now, running_s)

    def _room(self) -> tuple[int | None, float]:
        """Return (bytes left on the disk or None, the share of it that is left)."""
        try:
            total, _, free = self._disk(self._folder)
        except OSError:
            return None, 1.0
        return free, free / total if total else 1.0
