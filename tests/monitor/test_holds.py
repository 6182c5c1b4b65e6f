"""What is on hold: by batch and by lot, until it is released; what of it went out, and what is still here."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from monitor.errors import EntryError
from monitor.fold import check_append, fold, fold_as_of
from monitor.holds import gone_out, holds_of, same_lot, still_here
from monitor.ledger import EntryKind, effective
from tests.support.farms import Book, new

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def sown(book: Book, batch: str, lot: str, trays: int = 6) -> None:
    """Sow a batch from a lot."""
    data = {"crop": "radish", "lot": lot}
    book.add(EntryKind.SOWN, T0, batch, trays=trays, spot="cellar/1/1", data=data)


def test_a_hold_of_a_lot_reaches_every_batch_of_it_those_sown_later_too() -> None:
    """Case and blanks of the lot's name do not count; other lots stay free."""
    book = Book()
    sown(book, "1", "R-77")
    book.add(EntryKind.HELD, T0 + HOUR, None, data={"lot": " r-77 ", "why": "recalled"})
    book.add(EntryKind.SOWN, T0 + 2 * HOUR, "2", trays=4, data={"crop": "radish", "lot": "R-77"})
    sown(book, "3", "R-78")

    batches = fold(book.entries)

    assert {batch.id: [hold.why for hold in batch.holds] for batch in batches.values()} == {
        "1": ["recalled"],
        "2": ["recalled"],
        "3": [],
    }


def test_a_release_ends_what_it_names_and_nothing_else() -> None:
    """A batch held twice stays held by the other; before the release it was held by both."""
    book = Book()
    sown(book, "1", "R-77")
    book.add(EntryKind.HELD, T0 + HOUR, None, data={"lot": "R-77", "why": "recalled"})
    book.add(EntryKind.HELD, T0 + 2 * HOUR, "1", data={"why": "grey fuzz"})
    book.add(EntryKind.RELEASED, T0 + 5 * HOUR, "1", data={"why": "one tray only"})

    assert [hold.why for hold in fold(book.entries)["1"].holds] == ["recalled"]
    assert len(fold_as_of(book.entries, T0 + 4 * HOUR)["1"].holds) == 2
    ended = holds_of(effective(book.entries))[1]
    assert (ended.ended_by, ended.ended_why) == ("ines", "one tray only")


@pytest.mark.parametrize("kind", [EntryKind.HARVESTED, EntryKind.DELIVERED])
def test_cutting_and_delivering_are_refused_while_it_is_held(kind: EntryKind) -> None:
    """With the reason and the way out; before the hold, after its end, and said to be against it, it is written."""
    book = Book()
    sown(book, "1", "R-77")
    book.add(EntryKind.HELD, T0 + 10 * HOUR, None, data={"lot": "R-77", "why": "recalled by the supplier"})

    with pytest.raises(EntryError, match=r"recalled by the supplier .*release --lot R-77 --reason"):
        check_append(book.entries, [new(kind, T0 + 11 * HOUR, trays=1)], recorded_at=T0)
    check_append(book.entries, [new(kind, T0 + 9 * HOUR, trays=1)], recorded_at=T0)
    check_append(book.entries, [new(kind, T0 + 11 * HOUR, trays=1, data={"against_hold": True})], recorded_at=T0)
    book.add(EntryKind.RELEASED, T0 + 20 * HOUR, None, data={"lot": "r-77", "why": "not ours"})
    check_append(book.entries, [new(kind, T0 + 21 * HOUR, trays=1)], recorded_at=T0)


def test_a_hold_set_for_yesterday_stands_beside_what_went_out_today() -> None:
    """What was entered before is not refused afterwards: the ledger folds, and the delivery is listed."""
    book = Book()
    sown(book, "1", "R-77")
    book.add(EntryKind.DELIVERED, T0 + 20 * HOUR, trays=2, data={"whom": "the mill kitchen", "living": True})

    hold = new(EntryKind.HELD, T0 + HOUR, None, data={"lot": "R-77", "why": "recalled"})
    check_append(book.entries, [hold], recorded_at=T0 + 30 * HOUR)


def test_what_went_out_is_listed_with_buyer_day_and_amount() -> None:
    """Cut and living; a delivery without a number of trays counts those that it took."""
    book = Book()
    sown(book, "1", "R-77")
    book.add(EntryKind.HARVESTED, T0 + HOUR, trays=3, data={"grams": 900})
    book.add(EntryKind.DELIVERED, T0 + 2 * HOUR, trays=2, data={"whom": "the corner table", "grams": 600})
    book.add(EntryKind.DELIVERED, T0 + 3 * HOUR, trays=None, data={"whom": "the mill kitchen", "living": True})
    book.add(EntryKind.HELD, T0 + 4 * HOUR, "1", data={"why": "fuzz"})
    batches = fold(book.entries)
    (hold,) = holds_of(effective(book.entries))

    out, here = gone_out(hold, batches), still_here(hold, batches)

    assert [(each.whom, each.trays, each.grams, each.living) for each in out] == [
        ("the corner table", 2, 600.0, False),
        ("the mill kitchen", 3, None, True),
    ]
    assert [(each.trays, each.is_cut) for each in here] == [(1, True)]
    assert sum(each.trays for each in out) + sum(each.trays for each in here) == batches["1"].sown


def test_no_lot_is_not_the_same_lot() -> None:
    """Two batches without a lot have nothing in common."""
    assert not same_lot(None, None)
    assert not same_lot("", "")
