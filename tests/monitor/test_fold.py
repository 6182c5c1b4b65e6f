"""Entries become batches: parts split and end, sums hold, what cannot be is refused."""

from __future__ import annotations

from dataclasses import fields
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.batches import Fate
from monitor.errors import EntryError
from monitor.fold import check_append, fold, fold_as_of
from monitor.ledger import Entry, EntryKind, NewEntry
from tests.support.farms import Book, new

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_a_part_answer_splits_the_batch() -> None:
    """Four of twelve uncovered leave eight under the weight, on the same shelf."""
    book = Book()
    book.sow(T0, "radish", 12)
    book.add(EntryKind.STACKED, T0 + HOUR, stack="S1")
    book.add(EntryKind.UNCOVERED, T0 + 50 * HOUR, trays=4, data={"to": "cellar/1/2"})

    batch = fold(book.entries)["1"]

    assert sorted((part.trays, part.spot, part.stack) for part in batch.parts) == [
        (4, "cellar/1/2", None),
        (8, "cellar/1/1", "S1"),
    ]


def test_parts_that_become_alike_are_one_again() -> None:
    """Trays moved back to one shelf with one history are one part."""
    book = Book()
    book.sow(T0, "radish", 12)
    book.add(EntryKind.MOVED, T0 + HOUR, trays=4, data={"to": "cellar/2/1"})
    book.add(EntryKind.MOVED, T0 + 2 * HOUR, spot="cellar/2/1", data={"to": "cellar/1/1"})

    assert [part.trays for part in fold(book.entries)["1"].parts] == [12]


def test_the_spot_says_which_trays_are_meant() -> None:
    """Cutting on one shelf leaves the other shelf standing."""
    book = Book()
    book.sow(T0, "radish", 4, spot="cellar/1/1")
    book.sow(T0, "radish", 8, spot="cellar/1/2")
    book.add(EntryKind.HARVESTED, T0 + 200 * HOUR, spot="cellar/1/2", trays=3, data={"grams": 900})

    batch = fold(book.entries)["1"]

    assert (batch.trays(Fate.STANDING), batch.trays(Fate.CUT)) == (9, 3)
    assert {(part.spot, part.trays) for part in batch.standing} == {("cellar/1/1", 4), ("cellar/1/2", 5)}


def test_cut_trays_are_delivered_before_standing_ones() -> None:
    """A delivery without a word on it takes what was cut."""
    book = Book()
    book.sow(T0, "radish", 6)
    book.add(EntryKind.HARVESTED, T0 + 200 * HOUR, trays=4)
    book.add(EntryKind.DELIVERED, T0 + 201 * HOUR, trays=3)

    batch = fold(book.entries)["1"]

    assert {fate: batch.trays(fate) for fate in Fate} == {
        Fate.STANDING: 2,
        Fate.CUT: 1,
        Fate.DELIVERED: 3,
        Fate.DISCARDED: 0,
    }


def test_a_correction_takes_the_place_of_what_it_corrects() -> None:
    """Sown eight, meant six; a second correction corrects the first."""
    book = Book()
    first = book.sow(T0, "radish", 8)
    second = book.add(EntryKind.SOWN, T0, trays=7, corrects=first.id, data={"crop": "radish"})
    book.add(EntryKind.SOWN, T0, trays=6, corrects=second.id, data={"crop": "radish"})

    assert fold(book.entries)["1"].sown == 6


def test_a_withdrawn_entry_never_happened() -> None:
    """The cut is taken back, and the trays stand."""
    book = Book()
    book.sow(T0, "radish", 8)
    cut = book.add(EntryKind.HARVESTED, T0 + HOUR, trays=3)
    book.add(EntryKind.WITHDRAWN, T0 + 2 * HOUR, corrects=cut.id)

    assert fold(book.entries)["1"].trays(Fate.STANDING) == 8


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        pytest.param(new(EntryKind.HARVESTED, T0 + HOUR, trays=10), "8 of batch 1 can be", id="more cut than stand"),
        pytest.param(new(EntryKind.UNCOVERED, T0 + HOUR, spot="cellar/2"), "no tray of batch 1", id="nothing there"),
        pytest.param(new(EntryKind.WATERED, T0 + HOUR, batch="9"), "was not sown", id="an unknown batch"),
        pytest.param(new(EntryKind.WATERED, T0 - HOUR), "was not sown or soaked before", id="before it was sown"),
        pytest.param(new(EntryKind.MOVED, T0 + HOUR), "where the trays were moved to", id="moved nowhere"),
        pytest.param(new(EntryKind.CLEANED, T0 + HOUR), "still stand there", id="cleaned under standing trays"),
        pytest.param(new(EntryKind.NOTED, T0, corrects=77), "no entry 77", id="correcting what is not there"),
        pytest.param(new(EntryKind.SOWN, T0, trays=2, data={"crop": "pea"}), "is radish, not pea", id="another crop"),
        pytest.param(new(EntryKind.DRAINED, T0 + HOUR), "nothing to drain", id="draining what never soaked"),
    ],
)
def test_what_cannot_be_is_refused_with_a_way_out(entry: NewEntry, says: str) -> None:
    """The refusal names the entry and what would be right."""
    book = Book()
    book.sow(T0, "radish", 8)

    with pytest.raises(EntryError, match=says):
        check_append(book.entries, [entry], recorded_at=T0)


def test_a_back_dated_entry_that_breaks_a_later_one_is_refused() -> None:
    """Throwing away five before the cut of six of eight would make that cut impossible; the cut is named."""
    book = Book()
    book.sow(T0, "radish", 8)
    cut = book.add(EntryKind.HARVESTED, T0 + 5 * HOUR, trays=6)

    with pytest.raises(EntryError, match=f"entry {cut.id} .harvested"):
        check_append(book.entries, [new(EntryKind.DISCARDED, T0 + HOUR, trays=5)], recorded_at=T0 + 6 * HOUR)


def test_deeds_that_lie_ahead_do_not_count_yet() -> None:
    """The state of an instant leaves out what comes after it."""
    book = Book()
    book.sow(T0, "radish", 8)
    book.add(EntryKind.HARVESTED, T0 + 5 * HOUR)

    assert fold_as_of(book.entries, T0 + HOUR)["1"].trays(Fate.STANDING) == 8


def test_cleaning_a_shelf_closes_the_batches_that_left_it() -> None:
    """One entry for the shelf does for every batch whose last tray left it."""
    book = Book()
    book.sow(T0, "radish", 8)
    book.add(EntryKind.HARVESTED, T0 + HOUR)
    book.add(EntryKind.CLEANED, T0 + 2 * HOUR, batch=None, spot="cellar/1/1")

    assert fold(book.entries)["1"].cleaned_at == T0 + 2 * HOUR


DEEDS = st.sampled_from(
    [
        EntryKind.SOWN, EntryKind.STACKED, EntryKind.UNCOVERED, EntryKind.LIGHTS_ON, EntryKind.WATERED,
        EntryKind.MOVED, EntryKind.HARVESTED, EntryKind.DELIVERED, EntryKind.DISCARDED, EntryKind.LIFTED,
    ]
)  # fmt: skip
SPOTS = st.sampled_from([None, "cellar/1/1", "cellar/1/2"])


@st.composite
def wishes(draw: st.DrawFn) -> list[NewEntry]:
    """Return deeds in any order, sensible or not, some of them back-dated or corrections."""
    listed = []
    for number in range(draw(st.integers(1, 14))):
        data = {"crop": "radish", "to": draw(st.sampled_from(["cellar/1/1", "cellar/1/2"]))}
        listed.append(
            NewEntry(
                kind=draw(DEEDS),
                at=T0 + timedelta(hours=draw(st.integers(0, 40))),
                by="ines",
                batch=draw(st.sampled_from(["1", "2"])),
                trays=draw(st.one_of(st.none(), st.integers(1, 9))),
                spot=draw(SPOTS),
                data=data,
                corrects=draw(st.one_of(st.none(), st.none(), st.integers(1, max(1, number)))),
            )
        )
    return listed


@settings(max_examples=300, deadline=None)
@given(wishes())
def test_the_sum_holds_at_every_instant(listed: list[NewEntry]) -> None:
    """Whatever is wished, what was accepted keeps sown = standing + cut + delivered + discarded at every instant."""
    kept: list[Entry] = []
    for wish in listed:
        try:
            check_append(kept, [wish], recorded_at=T0)
        except EntryError:
            continue
        values = {each.name: getattr(wish, each.name) for each in fields(NewEntry)}
        kept.append(Entry(**values, id=len(kept) + 1, recorded_at=T0))
    for hour in range(42):
        sown: dict[str, int] = {}
        for batch in fold_as_of(kept, T0 + timedelta(hours=hour)).values():
            entered = sum(entry.trays or 0 for entry in batch.entries if entry.kind is EntryKind.SOWN)
            sown[batch.id] = entered
            assert sum(batch.trays(fate) for fate in Fate) == entered
            assert all(part.trays >= 1 for part in batch.parts)
