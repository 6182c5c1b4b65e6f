"""The monitor looks at itself: broker, disk, clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.selfwatch import SelfWatch

NOW = datetime(2026, 3, 8, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@dataclass
class Listener:
    """A collector that says what a test wants."""

    is_connected: bool = True
    trouble: str | None = None


@dataclass
class Machine:
    """A machine whose running time and disk a test sets."""

    running_s: float = 0.0
    free: int = 50_000_000_000

    def watch(self, folder: Path) -> SelfWatch:
        """Return a watch over it."""
        return SelfWatch(folder, running_s=lambda: self.running_s, disk=lambda _: (100_000_000_000, 0, self.free))


def test_a_broker_that_goes_is_gone_since_then(tmp_path: Path) -> None:
    """Since the first look that found it gone; back again it is forgotten."""
    machine, listener = Machine(), Listener()
    watch = machine.watch(tmp_path)
    well = watch.look(NOW, listener)
    listener.is_connected = False
    watch.look(NOW + MINUTE, listener)
    gone = watch.look(NOW + 5 * MINUTE, listener)
    listener.is_connected = True

    assert well.is_well
    assert gone.broker_gone_since == NOW + MINUTE
    assert not gone.is_well
    assert watch.look(NOW + 6 * MINUTE, listener).broker_gone_since is None


@pytest.mark.parametrize(("free", "full"), [(50_000_000_000, False), (1_500_000_000, True), (4_000_000_000, False)])
def test_a_disk_is_nearly_full_by_share_and_size(tmp_path: Path, free: int, full: bool) -> None:
    """Under 5 % and under 2 GB."""
    found = Machine(free=free).watch(tmp_path).look(NOW, None)

    assert found.disk_is_nearly_full is full
    assert found.disk_free_bytes == free


@pytest.mark.parametrize(("by", "told"), [(timedelta(hours=3), True), (timedelta(seconds=-20), False)])
def test_a_clock_that_is_set_has_jumped(tmp_path: Path, by: timedelta, told: bool) -> None:
    """Against a clock that nobody sets; small corrections of a time server are none."""
    machine = Machine()
    watch = machine.watch(tmp_path)
    watch.note_clock(NOW)
    machine.running_s = 60.0
    watch.note_clock(NOW + MINUTE + by)
    found = watch.look(NOW + MINUTE + by, None)

    assert (found.clock_jumped_at is not None) is told
    assert found.clock_jumped_by == (by if told else timedelta(0))


def test_a_moment_that_is_only_looked_at_is_no_jump(tmp_path: Path) -> None:
    """A round that took five minutes, and a cellar played through in fast time, were told as a clock that was set."""
    machine = Machine()
    watch = machine.watch(tmp_path)
    watch.note_clock(NOW)
    machine.running_s = 300.0
    late, ahead = watch.look(NOW, None), watch.look(NOW + timedelta(days=1), None)

    assert late.clock_jumped_at is None
    assert ahead.clock_jumped_at is None
