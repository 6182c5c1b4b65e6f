"""What is ready, what of it is promised, and what is free: no tray is counted twice."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ahead import cover, lacking, later, ready
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from monitor.profiles import PhaseKind
from monitor.promises import Owed
from monitor.supplies import Supply, supplies_of
from tests.support.farms import Book

PROFILES = shipped_profiles()
MONDAY = date(2026, 3, 2)


def day(number: int) -> date:
    """Return a day by its distance from Monday, 2 March 2026."""
    return MONDAY + timedelta(days=number)


def trays(count: int, opens: int, closes: int, *, living: int | None = None, batch: str = "1") -> Supply:
    """Return trays of radish that are ready between two days."""
    last = closes if living is None else living
    return Supply(
        batch=batch, crop="radish", trays=count, spot=None, opens_on=day(opens), closes_on=day(closes),
        living_until=day(last),
    )  # fmt: skip


def asked(count: int, on: int, *, living: bool = False, promise: str = "P1", delivered: int = 0) -> Owed:
    """Return radish owed on a day."""
    return Owed(
        promise=promise, on=day(on), crop="radish", trays=count, whom="x", living=living, delivered=delivered
    )  # fmt: skip


def test_a_tray_promised_on_one_day_is_not_counted_on_a_later_one() -> None:
    """Twelve stand over both days; eight go on the first, so four are left on the second."""
    first, second = ready([day(1), day(2)], [asked(8, 1)], [trays(12, 0, 5)])

    assert (first.ready, first.promised, first.free) == (12, 8, 4)
    assert (second.ready, second.promised, second.free) == (4, 0, 4)


def test_what_a_later_promise_needs_is_not_free_before_it() -> None:
    """All twelve are ready on the first day, but eight of them are promised on the second."""
    first, _ = ready([day(1), day(2)], [asked(8, 2)], [trays(12, 0, 5)])

    assert (first.ready, first.promised, first.free) == (12, 0, 4)


def test_what_goes_over_first_is_taken_first() -> None:
    """The trays that close on the day are kept for it, and the others stay for later."""
    (found,) = cover([asked(5, 3)], [trays(5, 0, 9, batch="late"), trays(5, 0, 3, batch="soon")])

    assert [taken.supply.batch for taken in found.taken] == ["soon"]


def test_living_trays_count_by_their_holding_days() -> None:
    """Past the last day for the cut a tray may still go out living."""
    (row,) = ready([day(6)], [], [trays(4, 0, 5, living=7)])

    assert (row.ready, row.ready_living, row.free, row.free_living) == (0, 4, 0, 4)


def test_what_nothing_stands_for_lacks() -> None:
    """A promise of a crop that does not stand shows, with nothing ready."""
    (row,) = ready([day(1)], [asked(3, 1)], [])

    assert (row.ready, row.promised, row.lacking, row.free) == (0, 3, 3, 0)


def test_what_went_out_is_not_asked_for_again() -> None:
    """Only the rest of a promise is open."""
    (found,) = cover([asked(6, 1, delivered=4)], [trays(9, 0, 5)])

    assert (found.kept, found.lacking) == (2, 0)


def test_trays_cut_in_the_evening_stand_for_the_next_day() -> None:
    """Cut trays count for promises on the day of the cut and the day after it, and never as living."""
    book = Book()
    book.sow(book.at("2026-02-22"), "radish", 6)
    book.add(EntryKind.HARVESTED, book.at("2026-03-02", "18:00"), trays=6)
    now = book.at("2026-03-02", "19:00")
    found = supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone)
    covers = cover([asked(2, 1, living=True), asked(3, 1), asked(3, 2)], found)

    assert [each.kept for each in covers] == [0, 3, 0]


def test_a_soak_counts_for_the_trays_that_it_is_meant_for() -> None:
    """Eight trays of pea in soak will stand for a promise ten days on."""
    book = Book()
    book.add(EntryKind.SOAKED, book.at("2026-03-02", "07:30"), data={"crop": "pea", "trays_planned": 8})
    now = book.at("2026-03-02", "09:00")
    (found,) = supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone)

    assert found.trays == 8
    assert found.serves(day(10), living=False)
    assert [kind for kind, _ in found.begins][:2] == [PhaseKind.SOAK, PhaseKind.GERMINATION]


def test_a_soak_without_a_number_counts_for_nothing() -> None:
    """Nobody said how many trays it is for."""
    book = Book()
    book.add(EntryKind.SOAKED, book.at("2026-03-02", "07:30"), data={"crop": "pea"})
    now = book.at("2026-03-02", "09:00")

    assert supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone) == ()


def test_the_next_trays_that_nobody_has_can_be_offered() -> None:
    """What is kept for others is not offered."""
    supplies = [trays(4, 3, 6, batch="3"), trays(5, 4, 8, batch="4")]
    covers = cover([asked(2, 1), asked(4, 3, promise="P2")], supplies)
    found = later(covers[0], covers, supplies)

    assert found is not None
    assert (found[0].batch, found[1]) == ("4", 5)


SUPPLIES = st.lists(
    st.builds(
        lambda count, opens, length, living: trays(count, opens, opens + length, living=opens + living),
        st.integers(1, 12), st.integers(0, 10), st.integers(0, 5), st.integers(-1, 7),
    ),
    max_size=5,
)  # fmt: skip
ASKED = st.lists(
    st.builds(
        lambda count, on, living: asked(count, on, living=living),
        st.integers(0, 12), st.integers(0, 12), st.booleans(),
    ),
    max_size=5,
).map(lambda found: sorted(found, key=lambda each: each.on))  # fmt: skip


@given(ASKED, SUPPLIES)
def test_no_tray_is_kept_twice(wanted: list[Owed], supplies: list[Supply]) -> None:
    """What is kept and what lacks is what is owed; no supply gives more trays than it has, or outside its window."""
    covers = cover(wanted, supplies)

    assert [each.kept + each.lacking for each in covers] == [each.open for each in wanted]
    for place, supply in enumerate(supplies):
        given_away = [taken.trays for each in covers for taken in each.taken if taken.place == place]
        assert sum(given_away) <= supply.trays
    assert all(taken.supply.serves(each.owed.on, living=each.owed.living) for each in covers for taken in each.taken)


@given(ASKED, SUPPLIES, st.integers(0, 12), st.booleans())
def test_free_is_what_can_still_be_promised(wanted: list[Owed], supplies: list[Supply], on: int, living: bool) -> None:
    """Promising that many more takes no tray from anybody, and one more does."""
    rows = ready([day(on)], wanted, supplies)
    free = (rows[0].free_living if living else rows[0].free) if rows else 0

    def lacks(more: int) -> int:
        one = asked(more, on, living=living, promise="P9")
        return lacking(cover(sorted([*wanted, one], key=lambda each: each.on), supplies))

    assert lacks(free) == lacks(0)
    assert lacks(free + 1) > lacks(0)


@pytest.mark.parametrize("crop", ["radish", "basil", "celery", "corn"])
def test_windows_are_those_of_the_phases(crop: str) -> None:
    """A batch just sown can be promised from its earliest harvest day on, to its last."""
    book = Book()
    book.sow(book.at("2026-03-02"), crop, 3)
    now = book.at("2026-03-02", "12:00")
    (found,) = supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone)
    plan = PROFILES[crop].plan(PhaseKind.HARVEST)

    assert plan is not None
    assert found.opens_on >= day(round(plan.days.low))
    assert found.closes_on == day(round(plan.days.high))
    assert not found.serves(found.opens_on - timedelta(days=1), living=False)
    assert found.phase_on(found.opens_on) is PhaseKind.HARVEST


def test_a_move_that_nobody_entered_counts_on_its_usual_day() -> None:
    """A week after sowing nothing but the sowing is entered, and the window is still that of the usual days."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 3)
    opens = []
    for on in range(9):
        now = book.at(f"2026-03-{2 + on:02}", "12:00")
        (found,) = supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone)
        opens.append((found.opens_on, found.closes_on))

    assert set(opens) == {(day(6), day(10))}


def test_a_move_that_was_entered_late_moves_the_window() -> None:
    """Lit on day 6 instead of 3, radish is ready after three days in the light, and closes three days later."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 3)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-05"))
    book.add(EntryKind.LIGHTS_ON, book.at("2026-03-08"))
    now = book.at("2026-03-08", "12:00")
    (found,) = supplies_of(fold_as_of(book.entries, now).values(), PROFILES, now=now, zone=book.zone)

    assert (found.opens_on, found.closes_on) == (day(9), day(13))
