"""Takes what waits in the spool to the server: in order, again and again until it is there, and once."""

from __future__ import annotations

import fcntl
import logging
import random
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Protocol

from monitor.clock import Clock
from monitor.errors import RejectedRowsError, StoreError, StoreUnavailableError
from monitor.readings import Block
from monitor.stores.overlay import newest
from monitor.stores.spool import Spool
from monitor.unread import REFUSED

log = logging.getLogger(__name__)

MOST_ROWS, LEAST_ROWS = 10_000, 50
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 60.0
_LOOK_AGAIN_S = 2.0
_QUARANTINED = 50

Quarantine = Callable[[datetime, str, bytes, str], None]


class Server(Protocol):
    """What is asked of the server's side."""

    def append(self, block: Block) -> None:
        """Keep a block; see ReadingStore.append."""
        ...


class Sender:
    """Sends while it holds the spool's lock; of several processes on one spool one sends."""

    def __init__(
        self,
        spool: Spool,
        server: Server,
        lock_file: Path,
        *,
        clock: Clock,
        quarantine: Quarantine = lambda *_: None,
        chance: Callable[[], float] = random.random,
        delivered: Callable[[Block], None] = lambda _block: None,
    ) -> None:
        """Take its parts; nothing is sent before start() or step().

        Args:
            spool: What waits.
            server: Where it goes.
            lock_file: Locked by the process that sends.
            clock: Instants of refusals.
            quarantine: Shown rows that the server refuses for good; the spool keeps all of them.
            chance: A number from 0 to 1, by which many senders do not all come back at once.
            delivered: Told of each block that the server has taken, before it leaves the spool.
        """
        self._spool, self._server, self._lock_file, self._clock = spool, server, lock_file, clock
        self._quarantine, self._chance, self._delivered = quarantine, chance, delivered
        self._rows = MOST_ROWS
        self._failures = 0
        self._lock: IO[str] | None = None
        self._stopping = threading.Event()
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self.trouble: str | None = None
        """What the server said last when something failed; None: all is well."""

    # -- one step -------------------------------------------------------------------------------------------

    def holds_lock(self) -> bool:
        """Tell whether this process is the one that sends; the lock is taken where it is free."""
        if self._lock is None:
            file = self._lock_file.open("a", encoding="utf-8")
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                file.close()
                return False
            self._lock = file
        return True

    def step(self) -> float | None:
        """Send the oldest blocks; return how long to wait before the next step, None: nothing waits. [s].

        Raises:
            StoreError: The spool itself cannot be read or written.
        """
        numbers, block = self._spool.oldest(self._rows)
        if not numbers:
            return None
        refused: list[tuple[str, str]] = []
        try:
            self._server.append(newest(block))
        except RejectedRowsError as exc:
            refused = list(exc.rows)
        except StoreUnavailableError as exc:
            return self._failed(exc, exc.again_in)
        except StoreError as exc:  # a token or a database that is to be mended: nothing is lost meanwhile
            return self._failed(exc, None)
        self._set_aside(refused)
        self._delivered(block)
        self._spool.done(numbers, refused, at=self._clock())
        if self.trouble is not None:
            log.info("influx.well_again waiting=%s", self._spool.waiting())
        self.trouble, self._failures = None, 0
        self._rows = min(MOST_ROWS, self._rows * 2)
        with self._changed:
            self._changed.notify_all()
        return 0.0

    def _failed(self, exc: StoreError, again_in: timedelta | None) -> float:
        """Note a failure, ask for less the next time, and return how long to wait. [s]."""
        self._failures += 1
        self._rows = max(LEAST_ROWS, self._rows // 2)  # a slow server gets what it can do in its time
        doubled_s: float = _FIRST_WAIT_S * 2.0 ** min(self._failures - 1, 10)
        wait_s = min(doubled_s, _LONGEST_WAIT_S) * (0.75 + self._chance() / 2)
        if again_in is not None:
            wait_s = max(wait_s, again_in.total_seconds())
        if self.trouble is None:
            log.warning("influx.trouble again_in_s=%.1f why=%s", wait_s, exc)
        self.trouble = str(exc)
        return wait_s

    def _set_aside(self, refused: list[tuple[str, str]]) -> None:
        """Say which rows the server refuses for good; the quarantine is small and shows some."""
        for row, why in refused[:_QUARANTINED]:
            self._quarantine(self._clock(), REFUSED, row.encode(), why)
        if refused:
            log.warning("influx.refused rows=%s first=%s why=%s", len(refused), *refused[0])

    # -- the thread -----------------------------------------------------------------------------------------

    def start(self) -> None:
        """Send until stopped, in a thread."""
        self._thread = threading.Thread(target=self._run, name="influx-sender", daemon=True)
        self._thread.start()

    def news(self) -> None:
        """Wake the thread, since something was put into the spool."""
        with self._changed:
            self._changed.notify_all()

    def _run(self) -> None:
        """Send what waits, and wait for more."""
        while not self._stopping.is_set():
            try:
                wait_s = self.step() if self.holds_lock() else None
            except StoreError as exc:
                wait_s = self._failed(exc, None)
            except Exception:
                log.exception("influx.sender_failed")
                wait_s = _LONGEST_WAIT_S
            if wait_s is None:
                with self._changed:  # a put that came after the look wakes at once; another process's within the wait
                    if not self._stopping.is_set() and self._is_idle():
                        self._changed.wait(_LOOK_AGAIN_S)
            elif wait_s:
                self._stopping.wait(wait_s)

    def _is_idle(self) -> bool:
        """Tell whether there is nothing to do for this process."""
        try:
            return self._lock is None or self._spool.is_empty()
        except StoreError:
            return True

    def drained(self, within: timedelta) -> bool:
        """Wait until nothing waits in the spool, or the server fails; tell whether it is empty."""
        left = round(within.total_seconds() * 20)
        while not self._spool.is_empty():
            if left <= 0 or self._stopping.is_set() or self.trouble is not None:
                return False
            left -= 1
            with self._changed:
                self._changed.wait(0.05)
        return True

    def stop(self) -> None:
        """End the thread after the block that it is sending, and leave the lock to others; again: nothing."""
        self._stopping.set()
        self.news()
        if self._thread is not None:
            self._thread.join(60)
        if self._lock is not None:
            self._lock.close()
            self._lock = None
