"""The running service packs older readings by itself, in a thread of its own, and stops at once when told to."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.clock import system_clock
from monitor.profilefile import load_profiles
from monitor.readings import Block, Reading
from monitor.service import Service
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import farm
from tests.support.influx import wait_until

NOW = datetime(2026, 3, 12, 9, tzinfo=UTC)


def test_the_service_packs_what_is_older_than_the_farm_says(tmp_path: Path) -> None:
    """Ten days of readings: what is older than compact_after_days is in files soon after the start, the rest is not."""
    cellar = farm(tmp_path, more="[storage]\ncompact_after_days = 5\n")
    now = system_clock()  # the scheduler itself goes by the machine's clock
    store = SqliteReadingStore(cellar.storage.folder / "readings.db")
    rows = [Reading(sensor="air", measured_at=now - timedelta(hours=n, minutes=30), value=20.0) for n in range(240)]
    store.append(Block.from_readings(rows))
    store.close()
    service = Service(cellar, load_profiles(None))

    service.start_clockwork()
    try:
        wait_until(lambda: service.aside.compacted_at() >= now - timedelta(seconds=1))
        held = service.store.count()
    finally:
        service.stop()

    assert (held, packed_at_last(cellar.storage.folder)) == (240, 120)


def packed_at_last(folder: Path) -> int:
    """Return how many readings are in files."""
    store = SqliteReadingStore(folder / "readings.db")
    count = sum(each.readings for each in store.history())
    store.close()
    return count


def test_a_stop_does_not_wait_for_a_long_compaction(tmp_path: Path) -> None:
    """It is told to stop at its next step; the readings are all there afterwards."""
    cellar = farm(tmp_path)
    service = Service(cellar, load_profiles(None), clock=lambda: NOW)
    rows = [Reading(sensor="air", measured_at=NOW - timedelta(days=9, minutes=n), value=20.0) for n in range(500)]
    service.store.append(Block.from_readings(rows))
    reached, go_on = threading.Event(), threading.Event()

    def step(_name: str) -> None:
        reached.set()
        go_on.wait(20)

    said: list[str] = []

    def compact() -> None:
        try:
            service.aside.compact(NOW, now=NOW, step=step)
        except Exception as exc:
            said.append(str(exc))

    worker = threading.Thread(target=compact)
    worker.start()
    assert reached.wait(20)
    service.aside.interrupt()
    go_on.set()
    worker.join(20)
    count = service.store.count()
    service.stop()

    assert count == 500
    assert said
    assert said[0].startswith("stopped in the middle")
