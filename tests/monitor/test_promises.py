"""What is promised: standing orders day by day, changes and ends as entries, and what deliveries count for."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import EntryError
from monitor.fold import check_append, fold
from monitor.ledger import Entry, EntryKind
from monitor.promises import (
    deliveries_of,
    next_promise_id,
    owed,
    promises_as_of,
    promises_of,
    same_name,
)
from tests.support.farms import Book, new

FRIDAY = date(2026, 3, 6)


def promise(book: Book, day: str = "2026-03-02", trays: int | None = 12, **more: Any) -> Entry:
    """Enter something about promise P1."""
    data = {"promise": "P1", **more}
    return book.add(EntryKind.PROMISED, book.at(day), None, trays=trays, data=data)


def radish(**more: Any) -> dict[str, Any]:
    """Return whole terms, as an entry keeps them."""
    return {"crop": "radish", "for": FRIDAY.isoformat(), "whom": "the corner table", "every_days": 7, **more}


def trays_by_day(book: Book, end: date = date(2026, 4, 3)) -> dict[str, int]:
    """Return what is owed from 2 March on, by day."""
    found = owed(promises_of(book.entries), {}, date(2026, 3, 2), end)
    return {f"{each.on:%d %b}": each.trays for each in found}


def test_a_standing_order_asks_week_by_week() -> None:
    """From its first day on, both ends of the span included."""
    book = Book()
    promise(book, **radish())

    assert trays_by_day(book) == {"06 Mar": 12, "13 Mar": 12, "20 Mar": 12, "27 Mar": 12, "03 Apr": 12}


def test_a_promise_without_a_rhythm_asks_once() -> None:
    """On its day only."""
    book = Book()
    promise(book, **radish(every_days=None))

    assert trays_by_day(book) == {"06 Mar": 12}


def test_a_change_holds_from_its_day_on() -> None:
    """Days before it keep what was promised first."""
    book = Book()
    promise(book, **radish())
    promise(book, "2026-03-10", 10, **radish(), **{"from": "2026-03-20"})

    assert trays_by_day(book) == {"06 Mar": 12, "13 Mar": 12, "20 Mar": 10, "27 Mar": 10, "03 Apr": 10}


def test_a_change_can_move_the_weekday() -> None:
    """The old weekday is not asked for any more once the new terms hold."""
    book = Book()
    promise(book, **radish())
    promise(book, "2026-03-10", 12, **{**radish(), "for": "2026-03-19"}, **{"from": "2026-03-14"})

    assert trays_by_day(book, date(2026, 3, 28)) == {"06 Mar": 12, "13 Mar": 12, "19 Mar": 12, "26 Mar": 12}


def test_a_single_day_can_differ_and_none_is_a_number_too() -> None:
    """The rest of a standing order stays as it is."""
    book = Book()
    promise(book, **radish())
    promise(book, "2026-03-03", 20, only="2026-03-13")
    promise(book, "2026-03-03", None, only="2026-03-20")

    assert trays_by_day(book) == {"06 Mar": 12, "13 Mar": 20, "27 Mar": 12, "03 Apr": 12}


def test_nothing_is_owed_from_the_end_on() -> None:
    """The end is an entry like the others."""
    book = Book()
    promise(book, **radish())
    promise(book, "2026-03-10", None, ends="2026-03-20")

    assert trays_by_day(book) == {"06 Mar": 12, "13 Mar": 12}
    assert promises_of(book.entries)["P1"].ends_on == date(2026, 3, 20)


def test_a_withdrawn_end_never_was() -> None:
    """A promise goes on when the entry that ended it is withdrawn."""
    book = Book()
    promise(book, **radish(every_days=None))
    end = promise(book, "2026-03-03", None, ends="2026-03-03")
    book.add(EntryKind.WITHDRAWN, book.at("2026-03-03", "10:00"), None, data={"why": "wrong one"}, corrects=end.id)

    assert trays_by_day(book) == {"06 Mar": 12}


def test_a_correction_of_the_number_counts() -> None:
    """The trays are the entry's own, so that `correct --trays` mends them."""
    book = Book()
    first = promise(book, **radish(every_days=None))
    book.add(EntryKind.PROMISED, first.at, None, trays=9, data=first.data, corrects=first.id)

    assert trays_by_day(book) == {"06 Mar": 9}


def test_entries_that_lie_ahead_do_not_count_yet() -> None:
    """As of an instant, what is entered for later is left out."""
    book = Book()
    promise(book, **radish())
    promise(book, "2026-03-10", None, ends="2026-03-10")

    assert promises_as_of(book.entries, book.at("2026-03-09"))["P1"].ends_on is None
    assert promises_as_of(book.entries, book.at("2026-03-10"))["P1"].ends_on == date(2026, 3, 10)


@pytest.mark.parametrize(
    "data",
    [
        pytest.param({"promise": "P7", "ends": "2026-03-20"}, id="an end"),
        pytest.param({"promise": "P7", "only": "2026-03-20"}, id="a single day"),
        pytest.param({"promise": "P7", **radish(), "from": "2026-03-20"}, id="a change"),
    ],
)
def test_what_concerns_no_promise_is_refused(data: dict[str, Any]) -> None:
    """The ledger takes no change or end of a promise that was never made."""
    book = Book()
    promise(book, **radish())
    wrong = new(EntryKind.PROMISED, book.at("2026-03-03"), None, trays=4, data=data)

    with pytest.raises(EntryError, match="there is no promise P7 before it"):
        check_append(book.entries, [wrong], recorded_at=book.at("2026-03-03"))


def test_terms_that_lack_something_are_refused() -> None:
    """How many, of what, for when and for whom."""
    book = Book()
    wrong = new(EntryKind.PROMISED, book.at("2026-03-03"), None, data={"promise": "P1", **radish()})

    with pytest.raises(EntryError, match="crop, trays, day and name are needed"):
        check_append([], [wrong], recorded_at=book.at("2026-03-03"))


def test_a_number_is_never_used_twice() -> None:
    """Also when the promise that had it was withdrawn."""
    book = Book()
    first = promise(book, **radish())
    book.add(EntryKind.WITHDRAWN, first.at, None, corrects=first.id)

    assert next_promise_id(book.entries) == "P2"


def test_deliveries_to_the_same_name_on_the_day_count() -> None:
    """Capitals and spaces do not matter; another day, crop or name, or none, counts for nobody."""
    book = Book()
    promise(book, **radish(every_days=None))
    book.sow(book.at("2026-02-25"), "radish", 12)
    book.sow(book.at("2026-02-25"), "kale", 12, "2")
    for day, batch, trays, whom in (
        ("2026-03-06", "1", 3, "The  corner table"),
        ("2026-03-06", "2", 3, "the corner table"),
        ("2026-03-06", "1", 2, "somebody else"),
        ("2026-03-06", "1", 1, None),
        ("2026-03-05", "1", 1, "the corner table"),
    ):
        book.add(EntryKind.DELIVERED, book.at(day, "10:00"), batch, trays=trays, data={"whom": whom, "living": True})
    delivered = deliveries_of(fold(book.entries).values(), book.zone)
    found = owed(promises_of(book.entries), delivered, FRIDAY, FRIDAY)

    assert [(each.delivered, each.open) for each in found] == [(3, 9)]


def test_a_delivery_without_a_number_counts_what_went_out() -> None:
    """All that stood, less what an entry of the same instant names."""
    book = Book()
    book.sow(book.at("2026-02-25"), "radish", 7)
    at = book.at("2026-03-06", "10:00")
    book.add(EntryKind.DELIVERED, at, trays=2, data={"whom": "a", "living": True})
    book.add(EntryKind.DELIVERED, at, data={"whom": "b", "living": True})

    assert deliveries_of(fold(book.entries).values(), book.zone) == {
        (FRIDAY, "a", "radish"): 2,
        (FRIDAY, "b", "radish"): 5,
    }


def test_of_two_promises_to_one_name_the_older_is_filled_first() -> None:
    """No tray counts twice."""
    book = Book()
    promise(book, **radish(every_days=None))
    more = {**radish(every_days=None), "promise": "P2"}
    book.add(EntryKind.PROMISED, book.at("2026-03-02"), None, trays=5, data=more)
    found = owed(promises_of(book.entries), {(FRIDAY, "the corner table", "radish"): 14}, FRIDAY, FRIDAY)

    assert [(each.promise, each.open) for each in found] == [("P1", 0), ("P2", 3)]


@given(
    every=st.one_of(st.none(), st.integers(1, 30)),
    first=st.dates(date(2026, 1, 1), date(2026, 12, 31)),
    start=st.dates(date(2026, 1, 1), date(2026, 12, 31)),
    length=st.integers(0, 90),
)
def test_days_are_those_of_the_rhythm(every: int | None, first: date, start: date, length: int) -> None:
    """Exactly the days from the first on whose distance from it is a multiple of the rhythm, inside the span."""
    book = Book()
    promise(book, "2025-12-01", **{**radish(every_days=every), "for": first.isoformat()})
    end = start + timedelta(days=length)
    asked = {each.on for each in owed(promises_of(book.entries), {}, start, end)}
    span = [start + timedelta(days=n) for n in range(length + 1)]

    assert asked == {
        day for day in span if day == first or (every is not None and day > first and (day - first).days % every == 0)
    }


@given(st.text(st.characters(categories=("L", "Zs")), min_size=1, max_size=20))
def test_a_name_is_the_same_in_capitals_and_with_more_spaces(name: str) -> None:
    """Comparing is done on one form of it, which is its own form."""
    assert same_name(f"  {name} ") == same_name(name)
    assert same_name(same_name(name)) == same_name(name)
