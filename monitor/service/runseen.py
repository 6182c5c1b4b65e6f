"""Whether `traywarden run` watches the whole farm: then watchers stand by, else both would nudge."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta

from monitor.clock import Clock
from monitor.service.whole import STATUS_STATE
from monitor.stores.states import ServiceStates

ENDED_AFTER = timedelta(minutes=1)
"""One that has given no sign of life for so long is taken to have ended; it gives one every 20 s. Ours."""


class RunSeen:
    """Looks at the signs of life of the one process that does everything."""

    def __init__(self, states: ServiceStates, clock: Clock, *, running_s: Callable[[], float] = time.monotonic) -> None:
        """Take where it writes them; what counts later is whether they change, whatever its clock shows."""
        self._states, self._clock, self._running_s = states, clock, running_s
        self._beat: str | None = None
        self._seen_s: float | None = None

    def is_alive(self) -> bool:
        """Tell whether it gave a sign of life lately.

        Raises:
            StoreError: The database cannot be asked.
        """
        state = self._states.of(STATUS_STATE)
        beat = None if state is None else str(state["beat_at"])
        if beat is None:
            return False
        now_s, limit_s = self._running_s(), ENDED_AFTER.total_seconds()
        if beat != self._beat:
            first = self._beat is None
            self._beat = beat
            age_s = abs((self._clock() - datetime.fromisoformat(beat)).total_seconds())
            self._seen_s = None if first and age_s >= limit_s else now_s
        return self._seen_s is not None and now_s - self._seen_s < limit_s

    def watched(self) -> tuple[datetime, datetime] | None:
        """Return from when to when it last watched the farm; None: it never ran here."""
        state = self._states.of(STATUS_STATE)
        if state is None:
            return None
        return datetime.fromisoformat(str(state["started_at"])), datetime.fromisoformat(str(state["beat_at"]))
