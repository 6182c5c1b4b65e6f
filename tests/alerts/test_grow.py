"""A whole 14-day grow: exactly the expected nudges on the expected local days, in three zones, over clock changes."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from monitor.ledger import EntryKind, NewEntry
from tests.support.farms import Book, farm
from tests.support.stage import Stage, does_it

# Days since the first sowing, local time, what, batch. Batch 1 radish, 2 sticky basil (both sown on day 0 at 09:00),
# 3 pea (soaked on day 0 at 08:30, sown at 17:30). The grower does what is told within the minute.
# Radish: covered 2 days, blackout 1, harvest from day 6. Basil: may be looked at on day 4 and not before, uncovered
# on day 5, blackout 2 days, harvest from day 12. Pea: soaked 9 h, covered 3 days, looked at on day 2, blackout 2
# days, harvest from day 9 (four days in the light after day 5). Water from the first day in the light on.
EXPECTED = [
    (2, "07:30", "uncover", "1"),
    (2, "07:30", "look", "3"),
    (3, "07:30", "end blackout", "1"),
    (3, "07:30", "water", "1"),
    (3, "07:30", "uncover", "3"),
    (4, "07:30", "water", "1"),
    (4, "07:30", "look", "2"),
    (5, "07:30", "water", "1"),
    (5, "07:30", "uncover", "2"),
    (5, "07:30", "end blackout", "3"),
    (5, "07:30", "water", "3"),
    (6, "07:30", "harvest", "1"),
    (6, "07:30", "water", "1"),
    (6, "07:30", "water", "3"),
    (6, "17:00", "clear and wash", "1"),
    (7, "07:30", "end blackout", "2"),
    (7, "07:30", "water", "2"),
    (7, "07:30", "water", "3"),
    (8, "07:30", "water", "3"),
    (9, "07:30", "water", "2"),
    (9, "07:30", "harvest", "3"),
    (9, "07:30", "water", "3"),
    (9, "17:00", "clear and wash", "3"),
    (11, "07:30", "water", "2"),
    (12, "07:30", "harvest", "2"),
    (12, "17:00", "clear and wash", "2"),
]


def deed(
    kind: EntryKind,
    at: datetime,
    batch: str,
    data: dict[str, object],
    *,
    trays: int | None = None,
    spot: str | None = None,
) -> NewEntry:
    """Return one entry of the plan."""
    return NewEntry(kind=kind, at=at, by="ines", batch=batch, trays=trays, spot=spot, data=data)


def begin(folder: Path, zone: str, first: str) -> tuple[Stage, Book]:
    """Return a stage on which three crops are sown on a local day."""
    book = Book(zone)
    stage = Stage(farm(folder, zone=zone), folder / "data", since=book.at(first, "06:00"))
    stage.enter(
        deed(EntryKind.SOAKED, book.at(first, "08:30"), "3", {"crop": "pea", "trays_planned": 6}),
        deed(EntryKind.SOWN, book.at(first, "09:00"), "1", {"crop": "radish"}, trays=6, spot="cellar/1/1"),
        deed(EntryKind.SOWN, book.at(first, "09:00"), "2", {"crop": "basil"}, trays=4, spot="cellar/1/2"),
        deed(EntryKind.SOWN, book.at(first, "17:30"), "3", {"crop": "pea"}, trays=6, spot="cellar/2/1"),
    )
    return stage, book


def told_on(stage: Stage, book: Book, first: str) -> list[tuple[int, str, str, str]]:
    """Return what was told as (days since the first day, local time, kind, batch), in a fixed order."""
    start = datetime.fromisoformat(first).date()
    rows = []
    for at, kind, batch in stage.told:
        local = at.astimezone(book.zone)
        rows.append(((local.date() - start).days, f"{local:%H:%M}", kind, batch))
    return sorted(rows)


# Clock changes of 2026 as computed from the tz database: New York 8 March and 1 November, Sydney 5 April and
# 4 October, none in Phoenix.
@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("America/New_York", "2026-03-02"),
        ("America/New_York", "2026-10-26"),
        ("Australia/Sydney", "2026-03-30"),
        ("Australia/Sydney", "2026-09-28"),
        ("America/Phoenix", "2026-03-02"),
        ("America/Phoenix", "2026-10-26"),
    ],
)
def test_a_grow_tells_exactly_what_is_due(tmp_path: Path, zone: str, first: str) -> None:
    """Three zones by the grows that span each change: the same local days and times, nothing else, nothing twice."""
    stage, book = begin(tmp_path, zone, first)
    start = book.at(first, "17:45")

    stage.play(start, start + timedelta(days=14), does_it)
    stage.close()

    assert told_on(stage, book, first) == sorted(EXPECTED)


@pytest.mark.parametrize("minutes", [7, 60])
def test_how_often_it_is_asked_changes_nothing(tmp_path: Path, minutes: int) -> None:
    """Woken every few minutes or every hour, the same tasks are told, each at the first waking after its time."""
    stage, book = begin(tmp_path, "Europe/Lisbon", "2026-03-23")
    start = book.at("2026-03-23", "17:45")

    stage.play(start, start + timedelta(days=14), does_it, every=timedelta(minutes=minutes))
    stage.close()

    kinds = sorted((day, kind, batch) for day, _, kind, batch in told_on(stage, book, "2026-03-23"))
    assert kinds == sorted((day, kind, batch) for day, _, kind, batch in EXPECTED)


@pytest.mark.parametrize("day", [2, 4, 6, 9])
def test_a_restart_neither_repeats_nor_loses(tmp_path: Path, day: int) -> None:
    """Closed and opened again in the middle of a day, the list is the same."""
    stage, book = begin(tmp_path, "Europe/Lisbon", "2026-03-23")
    start = book.at("2026-03-23", "17:45")

    stage.play(start, start + timedelta(days=14), does_it, restart_at=start + timedelta(days=day, hours=14))
    stage.close()

    assert told_on(stage, book, "2026-03-23") == sorted(EXPECTED)


def test_what_fell_due_while_it_was_off_is_told_once_and_said_to_be_late(tmp_path: Path) -> None:
    """Off from day 1 to day 3 at noon: one bundle at the start, marked late, then on as usual."""
    stage, book = begin(tmp_path, "Europe/Lisbon", "2026-03-23")
    stage.run(book.at("2026-03-24", "12:00"))
    stage.restart()

    stage.run(book.at("2026-03-26", "12:00"))
    stage.run(book.at("2026-03-26", "12:01"))
    stage.close()

    (text, _) = stage.channel.taken[-1]
    assert "LATE: this fell due Thu 26 Mar 07:30" in text
    assert sorted(kind for _, kind, batch in stage.told if batch == "1") == ["uncover"]
    assert len(stage.channel.taken) == 1


def test_nobody_answers_and_still_nothing_is_told_daily(tmp_path: Path) -> None:
    """A grower who enters nothing is told of each move when due, on its last day, and once after; then the next."""
    stage, book = begin(tmp_path, "Europe/Lisbon", "2026-03-23")
    start = book.at("2026-03-23", "17:45")

    stage.play(start, start + timedelta(days=9), lambda *_: None)
    stage.close()

    basil = [row for row in told_on(stage, book, "2026-03-23") if row[3] == "2" and row[2] != "look"]
    assert basil == [
        (5, "07:30", "uncover", "2"),
        (6, "07:30", "uncover", "2"),
        (7, "07:30", "water", "2"),
        (9, "07:30", "end blackout", "2"),
        (9, "07:30", "water", "2"),
    ]
