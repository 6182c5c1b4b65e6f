"""Seed lots: grams counted down by sowings, bags added up, what speaks against sowing one."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.holds import Hold
from monitor.ledger import EntryKind, effective
from monitor.lots import Lot, find_lot, lot_warnings, lots_of
from tests.support.farms import Book

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def bag(book: Book, grams: float | None, lot: str = "R-77", **more: object) -> None:
    """Enter a bag."""
    book.add(EntryKind.LOT, T0, None, data={"lot": lot, "crop": "radish", "grams": grams, **more})


def sown(book: Book, batch: str, trays: int, grams: float, lot: str | None = "R-77") -> None:
    """Sow trays of a lot."""
    data = {"crop": "radish", "seed_g_per_tray": grams, "lot": lot}
    book.add(EntryKind.SOWN, T0 + HOUR, batch, trays=trays, data=data)


@given(
    bags=st.lists(st.integers(1, 5000), min_size=1),
    sowings=st.lists(st.tuples(st.integers(1, 20), st.integers(1, 200))),
)
def test_left_is_what_was_bought_less_what_was_sown(bags: list[int], sowings: list[tuple[int, int]]) -> None:
    """Whatever the bags and the sowings; another lot's sowings do not count."""
    book = Book()
    for grams in bags:
        bag(book, grams)
    for number, (trays, grams) in enumerate(sowings):
        sown(book, str(number), trays, grams, "r-77 ")
    sown(book, "other", 3, 100, "R-78")

    lot = find_lot(lots_of(effective(book.entries)), "R-77")

    assert lot is not None
    assert lot.left_g == pytest.approx(sum(bags) - sum(trays * grams for trays, grams in sowings))


def test_a_weighed_soak_counts_once() -> None:
    """The sowing that ends it costs no more seed; trays that are added to the batch later do."""
    book = Book()
    bag(book, 2000, "P-1")
    book.add(EntryKind.SOAKED, T0, "1", data={"crop": "pea", "seed_g": 900, "lot": "P-1", "trays_planned": 4})
    sown(book, "1", 4, 220, None)
    sown(book, "1", 1, 220, None)

    (lot,) = lots_of(effective(book.entries))

    assert (lot.sown_g, lot.left_g, lot.batches) == (1120.0, 880.0, ("1",))


def test_an_unweighed_soak_is_counted_when_it_is_sown() -> None:
    """By the seed of its trays."""
    book = Book()
    book.add(EntryKind.SOAKED, T0, "1", data={"crop": "pea", "seed_g": None, "lot": "P-1"})
    sown(book, "1", 4, 220, None)

    (lot,) = lots_of(effective(book.entries))

    assert (lot.sown_g, lot.left_g) == (880.0, None)


def test_a_corrected_sowing_gives_its_seed_back() -> None:
    """Six trays, not eight."""
    book = Book()
    bag(book, 500)
    sown(book, "1", 8, 35)
    book.add(
        EntryKind.SOWN,
        T0 + HOUR,
        "1",
        trays=6,
        data={"crop": "radish", "seed_g_per_tray": 35, "lot": "R-77"},
        corrects=2,
    )

    (lot,) = lots_of(effective(book.entries))

    assert lot.left_g == 290.0


LOT = Lot(
    id="R-77", crop="radish", supplier=None, bought_g=500, sown_g=300, packed_on=None, use_by=date(2026, 3, 5),
    treated=False, tests=(), batches=(),
)  # fmt: skip
HELD = Hold(id=3, lot="r-77", batch=None, why="recalled", by="ines", at=T0)


@pytest.mark.parametrize(
    ("holds", "crop", "grams", "today", "says"),
    [
        pytest.param([], "radish", 200, date(2026, 3, 5), [], id="on its last day, to the last gram"),
        pytest.param([], "radish", 201, date(2026, 3, 5), ["200 g left"], id="more than is left"),
        pytest.param([], "kale", 10, date(2026, 3, 5), ["is radish, not kale"], id="another crop"),
        pytest.param([], "radish", 10, date(2026, 3, 6), ["2026-03-05"], id="past its last day"),
        pytest.param([HELD], "radish", 10, date(2026, 3, 2), ["ON HOLD (recalled)"], id="on hold"),
    ],
)
def test_what_speaks_against_sowing_a_lot(
    holds: list[Hold], crop: str, grams: float, today: date, says: list[str]
) -> None:
    """Each by itself."""
    warned = lot_warnings(LOT, "R-77", holds, crop=crop, grams=grams, today=today)

    assert len(warned) == len(says)
    assert all(words in warning for words, warning in zip(says, warned, strict=True))


def test_a_held_lot_that_nobody_entered_is_warned_of_too() -> None:
    """The hold is by its name."""
    (warning,) = lot_warnings(None, "R-77", [HELD], crop="radish", grams=1, today=date(2026, 3, 2))

    assert "ON HOLD" in warning
