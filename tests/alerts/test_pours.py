"""Water by the profile's days: when it is asked for, and when the words of another move forbid it."""

from __future__ import annotations

from pathlib import Path

import pytest

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.tasks import TaskKind, Urgency
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from tests.support.farms import Book, farm

PROFILES = shipped_profiles()


@pytest.mark.parametrize("crop", ["radish", "basil", "pea"])
def test_no_water_is_asked_for_on_the_day_of_uncovering(tmp_path: Path, crop: str) -> None:
    """Uncovered late, at a round whose words say "no water yet", trays were asked for water at the next round."""
    book = Book()
    book.sow(book.at("2026-03-02"), crop, 6)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-09", "07:40"), data={})

    def asks(day: str, clock: str) -> bool:
        at = book.at(day, clock)
        tick = Tick(now=at, farm=farm(tmp_path), profiles=PROFILES, batches=fold_as_of(book.entries, at),
                    live=LiveBuffer(), watching_since=at)  # fmt: skip
        tasks = [task for task in open_tasks(tick) if task.kind is TaskKind.WATER]
        return any(task.urgency is not Urgency.EARLY for task in tasks)

    assert not asks("2026-03-09", "17:00")
    assert asks("2026-03-10", "07:30")
