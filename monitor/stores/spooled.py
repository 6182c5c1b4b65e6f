"""Readings in InfluxDB behind a spool of our own: kept when append returns, whether or not the server answers.

What waits is laid over what the server has, so a reader sees one store.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from monitor.clock import Clock, system_clock
from monitor.errors import StoreUnavailableError
from monitor.readings import Block, Reading, to_ms
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.overlay import laid_over, of_sensors, within
from monitor.stores.rolled import RolledOnRead
from monitor.stores.sender import Quarantine, Sender
from monitor.stores.spool import SPOOL_FILE, Spool

_COUNT_WITHIN, _CLOSE_WITHIN = timedelta(seconds=30), timedelta(seconds=5)


class SpooledReadingStore(RolledOnRead):
    """An InfluxReadingStore with a spool in front; see ReadingStore."""

    def __init__(
        self,
        server: InfluxReadingStore,
        folder: Path,
        *,
        most_bytes: int,
        clock: Clock = system_clock,
        quarantine: Quarantine = lambda *_: None,
        spool_file: str = SPOOL_FILE,
        delivered: Callable[[Block], None] = lambda _block: None,
    ) -> None:
        """Take the server's side and the folder of the spool, and begin sending.

        ``delivered`` is told of each block that the server has taken; ``spool_file`` is the spool's name.

        Raises:
            StoreError: The spool cannot be opened.
        """
        self.server = server
        self.spool = Spool(folder / spool_file, most_bytes=most_bytes)
        lock_file = folder / f"{spool_file}.lock"
        self._sender = Sender(self.spool, server, lock_file, clock=clock, quarantine=quarantine, delivered=delivered)
        self._sender.start()

    @property
    def trouble(self) -> str | None:
        """Return why the spool is not getting emptier; None: all is well."""
        return self._sender.trouble

    def append_flags(self, block: Block) -> None:
        """Write flag and doubt of readings that the server has; see InfluxReadingStore.append_flags."""
        self.server.append_flags(block)

    def drained(self, within: timedelta) -> bool:
        """Wait until the server has all that waits, or fails; tell whether it has."""
        return self._sender.drained(within)

    def append(self, block: Block) -> None:
        """Keep a block in the spool; see ReadingStore.append."""
        if len(block):
            self.spool.put(block)
            self._sender.news()

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        # asked before the server: what moves meanwhile is in both, not in neither
        waiting = within(self.spool.pending(), to_ms(start), to_ms(end))
        return laid_over(self.server.read(sensors, start, end), waiting, sensors)

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; see ReadingStore.latest."""
        waiting = of_sensors(self.spool.pending(), sensors)
        found = self.server.latest(sensors)
        for row in waiting.readings():
            known = found.get(row.sensor)
            if known is None or known.measured_at <= row.measured_at:
                found[row.sensor] = row
        return found

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors with a reading, sorted."""
        waiting = self.spool.pending()
        return tuple(sorted({*self.server.sensors(), *waiting.sensors}))

    def count(self) -> int:
        """Return how many readings are kept; what waits is sent first.

        Raises:
            StoreUnavailableError: The server does not take it now.
        """
        if not self._sender.drained(_COUNT_WITHIN):
            why = self._sender.trouble or "another process is sending them"
            raise StoreUnavailableError(f"{self.spool.waiting()} readings wait in the spool: {why}")
        return self.server.count()

    def close(self) -> None:
        """Send what waits if the server takes it, and let go of everything; a second call does nothing."""
        self._sender.drained(_CLOSE_WITHIN)
        self._sender.stop()
        self.spool.close()
        self.server.close()
