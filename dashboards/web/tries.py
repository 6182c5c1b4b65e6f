"""How often somebody may try to sign in: a few wrong passwords, then a pause that is said."""

from __future__ import annotations

import threading
from collections import deque
from datetime import datetime, timedelta

WITHIN = timedelta(minutes=5)
MOST_A_NAME = 6
MOST_AN_ADDRESS = 20
"""Wrong tries within WITHIN, after which there is a pause. Our choice."""
_MOST_KEPT = 5_000


class Tries:
    """The tries of the last minutes that were wrong, or are not judged yet, by name and by address."""

    def __init__(self) -> None:
        """Begin with none."""
        self._lock = threading.Lock()
        self._wrong: dict[str, deque[datetime]] = {}

    def begin(self, name: str, address: str, now: datetime) -> timedelta:
        """Count a try before it is looked at, and return no time at all; or the pause to wait first, uncounted.

        Counting comes first so that many tries sent at once are not all looked at.
        """
        with self._lock:
            wait = max(
                self._wait(f"name {name}", MOST_A_NAME, now), self._wait(f"address {address}", MOST_AN_ADDRESS, now)
            )
            if wait == timedelta():
                self._note(name, address, now)
            return wait

    def _wait(self, key: str, most: int, now: datetime) -> timedelta:
        """Return the pause of one key."""
        tries = self._wrong.get(key, deque())
        while tries and now - tries[0] >= WITHIN:
            tries.popleft()
        return timedelta() if len(tries) < most else tries[-most] + WITHIN - now

    def _note(self, name: str, address: str, now: datetime) -> None:
        """Remember a try."""
        if len(self._wrong) > _MOST_KEPT:
            self._wrong = {key: tries for key, tries in self._wrong.items() if tries and now - tries[-1] < WITHIN}
        for key in (f"name {name}", f"address {address}"):
            self._wrong.setdefault(key, deque(maxlen=MOST_AN_ADDRESS)).append(now)

    def forget(self, name: str, address: str) -> None:
        """Forget the tries of somebody who is in."""
        with self._lock:
            self._wrong.pop(f"name {name}", None)
            tries = self._wrong.get(f"address {address}")
            if tries:
                tries.pop()
