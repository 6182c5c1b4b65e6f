"""What wakes a service: APScheduler, which only calls what says when it wants to be called again; it stores nothing."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from monitor.clock import Clock
from monitor.errors import TraywardenError

log = logging.getLogger(__name__)

LOOK_AGAIN = timedelta(seconds=20)
"""How often the ledger is asked whether another process has written to it."""


class Clockwork:
    """Wakes a service when it asks to be, and at an interval against clock jumps and other processes."""

    def __init__(self, clock: Clock, wake: Callable[[datetime], datetime]) -> None:
        """Take the clock, and what is woken: given the instant, it returns when it wants to be woken next."""
        self._clock, self._wake_it = clock, wake
        self._scheduler: Any = None
        # APScheduler holds its lock while it waits for what runs to end; what runs must not ask for another waking then
        self._setting = threading.Lock()
        self._is_stopping = False

    def also(self, what: Callable[[], None], every: timedelta) -> None:
        """Have something else done at an interval too, for the first time now; only after start()."""
        self._scheduler.add_job(what, "interval", seconds=every.total_seconds(), next_run_time=self._clock())

    def start(self) -> None:
        """Begin waking at the interval; wake() wakes at once."""
        from apscheduler.schedulers.background import BackgroundScheduler

        self._scheduler = BackgroundScheduler(
            timezone="UTC", job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        )
        self._scheduler.add_job(self.wake, "interval", seconds=LOOK_AGAIN.total_seconds(), id="look again")
        self._scheduler.start()

    def wake(self) -> None:
        """Run what is due, and set the next waking; what goes wrong is logged and tried again at the next."""
        now = self._clock()
        try:
            again_at = self._wake_it(now)
            self._set(max(again_at, now + timedelta(seconds=1)))
        except TraywardenError as exc:
            log.error("due.failed why=%s", exc)
        except Exception:
            log.exception("due.unexpected")

    def at_once(self) -> None:
        """Have it woken now, on the clockwork's own thread; nothing happens where it does not run."""
        self._set(None)

    def _set(self, at: datetime | None) -> None:
        """Have it woken at an instant, None: now, in place of what was set before; not any more once it stops."""
        with self._setting:
            if self._scheduler is not None and not self._is_stopping:
                self._scheduler.add_job(self.wake, "date", run_date=at, id="due", replace_existing=True)

    def stop(self) -> None:
        """Wake no more, and wait for what runs; a second call does nothing."""
        with self._setting:
            self._is_stopping = True
        if self._scheduler is not None:
            # nothing may be due any more when it ends: in the middle of letting a job go its own thread would fail
            self._scheduler.pause()
            self._scheduler.remove_all_jobs()
            self._scheduler.shutdown(wait=True)
            self._scheduler = None
