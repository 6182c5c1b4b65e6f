"""Water by the profile's days: when it is asked for, and when the words of another move forbid it."""

from __future__ import annotations

from pathlib import Path

import pytest

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.tasks import Task, TaskKind
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from tests.support.farms import Book, farm

PROFILES = shipped_profiles()


def tasks_at(book: Book, folder: Path, day: str, clock: str = "07:30") -> list[Task]:
    """Return the open tasks at a time."""
    at = book.at(day, clock)
    tick = Tick(now=at, farm=farm(folder), profiles=PROFILES, batches=fold_as_of(book.entries, at),
                live=LiveBuffer(), watching_since=at)  # fmt: skip
    return [task for task in open_tasks(tick) if task.is_asked(at)]


def water_at(book: Book, folder: Path, day: str, clock: str = "07:30") -> list[str]:
    """Return the words of the water tasks at a time."""
    return [task.move for task in tasks_at(book, folder, day, clock) if task.kind is TaskKind.WATER]


def test_ripe_trays_get_water_but_not_those_that_are_cut(tmp_path: Path) -> None:
    """A harvest said "no water before cutting" beside a pour; on the last day, all to be cut, none is asked."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 6)
    book.add(EntryKind.LIGHTS_ON, book.at("2026-03-05"), data={})

    (ripe,) = water_at(book, tmp_path, "2026-03-09")
    assert ripe.endswith("What you cut today gets none.")
    assert "What you cut" not in water_at(book, tmp_path, "2026-03-07")[0]
    last = tasks_at(book, tmp_path, "2026-03-12")
    assert [task.kind for task in last] == [TaskKind.HARVEST]


def test_trays_in_two_places_are_told_in_words_that_can_be_read(tmp_path: Path) -> None:
    """It said "8 trays on 4 on rack 1 shelf 1 and 4 on rack 1 shelf 2", and "under the lamp on 4 on rack 1"."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 8)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-04"), trays=4, data={"to": "cellar/1/2"})
    book.add(EntryKind.UNCOVERED, book.at("2026-03-04", "09:01"), data={})

    moves = {task.kind: task.move for task in tasks_at(book, tmp_path, "2026-03-05")}
    assert "under the lamp on rack 1 shelf 1 and rack 1 shelf 2." in moves[TaskKind.END_BLACKOUT]
    assert "(8 trays, 4 on rack 1 shelf 1 and 4 on rack 1 shelf 2, 1.76 l in all)" in moves[TaskKind.WATER]


@pytest.mark.parametrize("crop", ["radish", "basil", "pea"])
def test_no_water_is_asked_for_on_the_day_of_uncovering(tmp_path: Path, crop: str) -> None:
    """Uncovered late, at a round whose words say "no water yet", trays were asked for water at the next round."""
    book = Book()
    book.sow(book.at("2026-03-02"), crop, 6)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-09", "07:40"), data={})

    assert not water_at(book, tmp_path, "2026-03-09", "17:00")
    assert water_at(book, tmp_path, "2026-03-10")
