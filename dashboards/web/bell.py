"""Who is told that something changed: any thread rings, open pages hear it over their event stream."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator

TOPICS = ("ledger", "readings", "alarms", "clock")
"""What may change: entries; readings; alarms; and the time of day, once a minute."""


class Ear:
    """One open stream: the topics that rang since it last looked."""

    def __init__(self) -> None:
        """Belong to the running event loop."""
        self._loop = asyncio.get_running_loop()
        self._rang: set[str] = set()
        self._woken = asyncio.Event()
        self._closed = False

    def hear(self, topics: frozenset[str], *, closing: bool = False) -> None:
        """Note topics from any thread."""

        def note() -> None:
            self._rang |= topics
            self._closed = self._closed or closing
            self._woken.set()

        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(note)

    async def listen(self, *, beat_s: float, gather_s: float) -> AsyncIterator[frozenset[str]]:
        """Yield the topics that rang, gathered for a moment; nothing rang for a beat: an empty set. Ends on close.

        Args:
            beat_s: How long it waits before it says that the line is alive. [s]
            gather_s: How long it gathers what rings together. [s]
        """
        while not self._closed:
            try:
                await asyncio.wait_for(self._woken.wait(), beat_s)
                if not self._closed:
                    await asyncio.sleep(gather_s)
            except TimeoutError:
                pass
            rang, self._rang = frozenset(self._rang), set()
            self._woken.clear()
            if not self._closed:
                yield rang


class Bell:
    """Rung by the threads that write; heard by every open stream."""

    def __init__(self) -> None:
        """Begin with nobody listening."""
        self._lock = threading.Lock()
        self._ears: set[Ear] = set()
        self._closed = False

    def ring(self, *topics: str) -> None:
        """Say that something changed."""
        with self._lock:
            ears = tuple(self._ears)
        for ear in ears:
            ear.hear(frozenset(topics))

    @property
    def listeners(self) -> int:
        """Return how many streams are open."""
        with self._lock:
            return len(self._ears)

    def open(self) -> Ear:
        """Return a new ear; call it on the event loop that will listen."""
        ear = Ear()
        with self._lock:
            self._ears.add(ear)
            closed = self._closed
        if closed:
            ear.hear(frozenset(), closing=True)
        return ear

    def shut(self, ear: Ear) -> None:
        """Let go of an ear."""
        with self._lock:
            self._ears.discard(ear)

    def close(self) -> None:
        """End every stream, now and from now on; the server can then stop at once."""
        with self._lock:
            self._closed = True
            ears = tuple(self._ears)
        for ear in ears:
            ear.hear(frozenset(), closing=True)
