"""Keeps a watcher's leases: renews them in a thread of its own, so that judging does not hold it up.

A process whose judging hangs must not keep its rooms for ever: nothing is renewed once it has shown no life for a
while, and another takes them over.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Collection
from datetime import timedelta

from monitor.errors import StoreError
from monitor.stores.leases import Leases

log = logging.getLogger(__name__)

HANGS_AFTER = timedelta(minutes=5)
"""Judging that shows no life for so long is taken to hang; a channel that does not answer takes seconds. Ours."""


class LeaseKeeper:
    """Takes what is free, and renews what is held, three times before it would run out."""

    def __init__(
        self,
        leases: Leases,
        wanted: Callable[[], Collection[str]],
        *,
        on_change: Callable[[], None],
        running_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take the leases, which names are wanted at a moment, and whom to tell when what is held has changed."""
        self._leases, self._wanted, self._on_change, self._running_s = leases, wanted, on_change, running_s
        self._lived_s = running_s()
        self._known: object = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def lives(self) -> None:
        """Note that judging goes on."""
        self._lived_s = self._running_s()

    def step(self) -> None:
        """Take and renew once; what goes wrong is logged, and a lease that cannot be renewed runs out."""
        try:
            if self._running_s() - self._lived_s >= HANGS_AFTER.total_seconds():
                log.error("leases.not_renewed why=judging has shown no life for %s", HANGS_AFTER)
            else:
                self._renew()
        except StoreError as exc:
            log.warning("leases.not_renewed why=%s", exc)
        except Exception:
            log.exception("leases.unexpected")
        held = dict(self._leases.held())
        if held != self._known:
            self._known = held
            self._on_change()

    def _renew(self) -> None:
        """Take what is wanted; let go of all where nothing is."""
        wanted = self._wanted()
        if wanted:
            self._leases.take(wanted)
        elif self._leases.held():
            self._leases.release()

    def start(self) -> None:
        """Go on with it until stop()."""
        self._thread = threading.Thread(target=self._go_on, name="leases", daemon=True)
        self._thread.start()

    def _go_on(self) -> None:
        """Renew at a third of what a lease lasts."""
        while not self._stopping.wait(self._leases.lasts.total_seconds() / 3):
            self.step()

    def stop(self) -> None:
        """End the thread, and let go of all leases, so that others need not wait for them to run out."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(30)
        try:
            self._leases.release()
        except StoreError as exc:
            log.warning("leases.not_let_go why=%s; they run out", exc)
