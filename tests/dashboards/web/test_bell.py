"""What rings is heard by every open stream, gathered, and ended when the bell is closed."""

from __future__ import annotations

import asyncio
import threading

from dashboards.web.bell import Bell


def test_what_rings_together_is_heard_as_one() -> None:
    """From other threads, by every ear, each topic once."""

    async def hear() -> list[frozenset[str]]:
        bell = Bell()
        ears = [bell.open(), bell.open()]
        heard = [ear.listen(beat_s=10, gather_s=0.01) for ear in ears]
        ringing = [threading.Thread(target=bell.ring, args=(topic,)) for topic in ("ledger", "readings", "ledger")]
        for thread in ringing:
            thread.start()
        for thread in ringing:
            thread.join()
        return [await anext(each) for each in heard]

    assert asyncio.run(hear()) == [frozenset({"ledger", "readings"})] * 2


def test_silence_brings_a_beat() -> None:
    """An empty set, so that a dead line shows."""

    async def hear() -> frozenset[str]:
        return await anext(Bell().open().listen(beat_s=0.01, gather_s=0))

    assert asyncio.run(hear()) == frozenset()


def test_nothing_that_rings_is_lost_between_two_looks() -> None:
    """What rings while the last event is being told is in the next."""

    async def hear() -> list[frozenset[str]]:
        bell = Bell()
        heard = bell.open().listen(beat_s=10, gather_s=0)
        found = []
        for topic in ("ledger", "readings", "alarms"):
            bell.ring(topic)
            found.append(await anext(heard))
        return found

    assert asyncio.run(hear()) == [frozenset({topic}) for topic in ("ledger", "readings", "alarms")]


def test_a_closed_bell_ends_open_streams_and_new_ones() -> None:
    """So that the server can stop at once."""

    async def hear() -> tuple[list[frozenset[str]], list[frozenset[str]]]:
        bell = Bell()
        early = bell.open()
        waiting = asyncio.create_task(_all(early.listen(beat_s=10, gather_s=0)))
        await asyncio.sleep(0)
        bell.close()
        return await waiting, await _all(bell.open().listen(beat_s=10, gather_s=0))

    async def _all(heard: object) -> list[frozenset[str]]:
        return [each async for each in heard]  # type: ignore[attr-defined] # an async iterator

    assert asyncio.run(hear()) == ([], [])


def test_who_has_gone_is_not_rung_for() -> None:
    """Streams that were closed do not add up; a loop that has ended does no harm."""
    bell = Bell()

    async def come_and_go() -> None:
        ear = bell.open()
        assert bell.listeners == 1
        bell.shut(ear)
        bell.open()

    asyncio.run(come_and_go())

    assert bell.listeners == 1
    bell.ring("ledger")
