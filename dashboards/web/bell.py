"""Who is told that something changed: any thread rings, open pages hear it over their event stream."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Collection
from contextlib import suppress

TOPICS = ("ledger", "readings", "alarms", "clock")
"""What may change: entries; readings; alarms; and the time of day, once a minute."""


class Ear:
    """One open stream: the topics that rang since it last looked."""

    def __init__(self) -> None:
        """Belong to the running event loop."""
        self._loop = asyncio.get_running_loop()
        self._woken = asyncio.Event()
        self._lock = threading.Lock()
        self._rang: set[str] = set()
        self._closed = False

    def hear(self, topics: Collection[str], *, closing: bool = False) -> None:
        """Note topics from any thread; what rings again before it was looked at wakes nobody a second time."""
        with self._lock:
            is_news = closing or not self._rang.issuperset(topics)
            self._rang.update(topics)
            self._closed = self._closed or closing
        if is_news:
            with suppress(RuntimeError):  # the loop has ended, and the stream with it
                self._loop.call_soon_threadsafe(self._woken.set)

    def _take(self) -> frozenset[str]:
        """Return what rang, and begin anew."""
        self._woken.clear()
        with self._lock:
            rang, self._rang = frozenset(self._rang), set()
        return rang

    async def listen(self, *, beat_s: float, gather_s: float) -> AsyncIterator[frozenset[str]]:
        """Yield the topics that rang, gathered for a moment; nothing rang for a beat: an empty set. Ends on close.

        Args:
            beat_s: How long it waits before it says that the line is alive. [s]
            gather_s: How long it gathers what rings together. [s]
        """
        while not self._closed:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), beat_s)
                if not self._closed:
                    await asyncio.sleep(gather_s)
            rang = self._take()
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
            ear.hear(topics)

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
            ear.hear((), closing=True)
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
            ear.hear((), closing=True)
