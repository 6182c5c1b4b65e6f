"""The running service and its scales: state from the store at the start, late readings, new set-ups."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.clock import ManualClock
from monitor.ledger import EntryKind, NewEntry
from monitor.loadcell import StepKind
from monitor.profilefile import load_profiles
from monitor.readings import Block, Reading
from monitor.service import Service
from tests.support.farms import farm, sensor_text
from tests.support.weights import cell_of, tray

NOW = datetime(2026, 3, 8, 7, 30, tzinfo=UTC)
ROWS = tray(30, steps=[(6, 300), (20, -90)], every_min=5, begin_ms=int((NOW - timedelta(hours=30)).timestamp() * 1000))


def block(rows: list[tuple[int, float]]) -> Block:
    """Return readings of the scale."""
    return Block.from_readings(
        [
            Reading(sensor="scale-1", measured_at=datetime.fromtimestamp(at / 1000, UTC), value=grams)
            for at, grams in rows
        ]
    )


class Run:
    """Services on one folder and one clock, started again as often as asked."""

    def __init__(self, folder: Path) -> None:
        """Lay out a farm with one scale."""
        more = sensor_text("scale-1", "weight", "cellar/1/2/1", dry_g=1000, full_g=1800)
        self.farm = farm(folder, more=more)
        self.clock = ManualClock(NOW)
        self.service = self.start()

    def start(self) -> Service:
        """Start a service."""
        self.service = Service(self.farm, load_profiles(None), clock=self.clock)
        return self.service


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    """Return a farm's service, stopped afterwards."""
    made = Run(tmp_path)
    yield made
    made.service.stop()


def test_the_state_is_rebuilt_from_the_store_on_start(run: Run) -> None:
    """After a restart the scale shows what it showed before: level, noise, and every step."""
    run.service.store.append(block(ROWS))
    run.service.stop()
    cell = run.start().scales.cell("scale-1")
    whole = cell_of(ROWS)

    assert cell is not None
    assert cell.level_g == whole.level_g
    assert list(cell.steps) == list(whole.steps)
    assert [step.kind for step in cell.steps] == [StepKind.RISE, StepKind.FALL]


def test_a_reading_that_comes_hours_late_is_counted_in_its_place(run: Run) -> None:
    """Stored, noticed as late, and the scale read back at the next look: as if it had come in time."""
    late = ROWS[40:60]
    for rows in (ROWS[:40] + ROWS[60:], late):
        run.service.store.append(block(rows))
        run.service._take(block(rows))
    was_stale = run.service.scales.stale()
    run.service.run_due(NOW)
    cell = run.service.scales.cell("scale-1")

    assert was_stale == ("scale-1",)
    assert run.service.scales.stale() == ()
    assert cell is not None
    assert list(cell.rests) == list(cell_of(ROWS).rests)


def test_a_new_set_up_holds_for_the_running_service(run: Run) -> None:
    """Entered by another process: at the next look the scale is read back by it."""
    run.service.store.append(block(ROWS))
    run.service._take(block(ROWS))
    data = {"sensor": "scale-1", "what": "scale", "zero_g": 100.0, "factor": 1.0, "dry_g": 400, "full_g": 1700}
    entry = NewEntry(kind=EntryKind.CALIBRATED, at=NOW - timedelta(days=9), by="ines", data=data)
    run.service.ledger.append([entry], recorded_at=NOW)
    run.service.run_due(NOW)
    cell = run.service.scales.cell("scale-1")

    assert cell is not None
    assert cell.level_g == pytest.approx((cell_of(ROWS).level_g or 0) - 100, abs=0.1)


@pytest.mark.parametrize(("away", "told"), [(timedelta(minutes=5), False), (timedelta(hours=7), True)])
def test_the_next_round_tells_that_the_monitor_was_down(run: Run, away: timedelta, told: bool) -> None:
    """Seven hours without a sign of life are told, five minutes are a restart."""
    run.service._note_status(NOW - timedelta(hours=1))
    run.service.stop()
    run.clock.set(NOW - timedelta(hours=1) + away)
    service = run.start()
    service.tell_downtime(run.clock())
    service.run_due(datetime(2026, 3, 8, 17, 0, tzinfo=UTC))
    texts = [row.text for row in service.outbox.rows() if row.kind == "round"]

    assert any("The monitor was down from Sun 8 Mar 06:30 to Sun 8 Mar 13:30" in text for text in texts) is told
