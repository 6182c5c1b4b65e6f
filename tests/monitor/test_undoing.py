"""The last answer, taken back as one; a correction gives its place back to what it replaced."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta

from monitor.fold import fold
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.undoing import last_answer, taken_back
from tests.support.farms import Book

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def write(book: Book, entries: tuple[NewEntry, ...]) -> None:
    """Write entries that take something back."""
    for one in entries:
        values = {each.name: getattr(one, each.name) for each in fields(NewEntry)}
        book.entries.append(Entry(**values, id=len(book.entries) + 1, recorded_at=one.at))


def undo(book: Book, of: str | None = None) -> list[int]:
    """Take the last answer back, and return its numbers."""
    answer = last_answer(book.entries, of)
    write(book, taken_back(answer, book.entries, at=T0 + 50 * HOUR, by="tomek"))
    return [entry.id for entry in answer]


def test_what_was_written_together_is_taken_back_together() -> None:
    """Then the single entry before it, then the sowing, then nothing is left."""
    book = Book()
    book.sow(T0, "radish", 4)
    book.add(EntryKind.LOOKED, T0 + HOUR)
    book.add(EntryKind.UNCOVERED, T0 + 2 * HOUR, data={"together": 3})
    row = book.add(EntryKind.WATERED, T0 + 2 * HOUR, data={"together": 3})
    book.entries[-1] = replace(row, by="tomek")  # one sheet, ticked by two

    assert [undo(book), undo(book), undo(book), undo(book)] == [[3, 4], [2], [1], []]
    assert fold(book.entries) == {}
    assert effective(book.entries) == ()


def test_the_last_is_the_last_written_not_the_last_done() -> None:
    """Yesterday's watering, entered after today's look."""
    book = Book()
    book.sow(T0, "radish", 4)
    book.add(EntryKind.LOOKED, T0 + 30 * HOUR)
    book.add(EntryKind.WATERED, T0 + HOUR)

    assert undo(book) == [3]


def test_a_correction_taken_back_gives_its_place_to_what_it_replaced() -> None:
    """Eight trays, corrected to six, are eight again; taken back once more the correction's origin goes."""
    book = Book()
    book.sow(T0, "radish", 8)
    book.add(EntryKind.SOWN, T0, trays=6, data={"crop": "radish"}, corrects=1)
    undo(book)

    assert fold(book.entries)["1"].sown == 8
    assert [entry.by for entry in effective(book.entries)] == ["ines"]


def test_only_one_persons_last_answer_is_meant_where_it_is_said() -> None:
    """Ines' last, though Tomek wrote later."""
    book = Book()
    book.sow(T0, "radish", 4)
    row = book.add(EntryKind.WATERED, T0 + HOUR)
    book.entries[-1] = replace(row, by="tomek")

    assert undo(book, "ines") == [1]
