"""A plan never overfills a shelf, meets as much as can be, and gives a reason for every tray that it does not meet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.ahead import cover
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from monitor.promises import Owed
from monitor.roombook import RoomBook, on_usual_days
from monitor.shelfplan import berths
from monitor.sowby import sow_by
from monitor.sowmodel import make_plan
from monitor.sowneeds import days_of, lots_of, room_of, shelves_of, want_of
from monitor.sowplan import Lacks, Plan, Room, Stay, Want
from monitor.supplies import supplies_of
from tests.support.farms import Book, farm

MONDAY = date(2026, 3, 2)
PROFILES = shipped_profiles()
CROPS = {"stacked": (2, 3), "covered": (0, 2), "slow": (4, 6)}
"""Days piled and days to the light of three made-up crops."""


def day(number: int) -> date:
    """Return a day by its distance from Monday, 2 March 2026."""
    return MONDAY + timedelta(days=number)


def want(
    trays: int,
    on: int,
    *,
    crop: str = "stacked",
    promise: str = "P1",
    spare: int = 0,
    window: tuple[int, int, int] = (10, 8, 6),
    today: int = 0,
) -> Want:
    """Return trays that lack for a day, with how many days before it they may, usually are, and must be sown."""
    piled, light = CROPS[crop]
    earliest, usual, latest = window
    return Want(
        promise=promise, on=day(on), crop=crop, whom="x", living=False, trays=trays, spare=spare,
        earliest=day(on - earliest), usual=day(on - usual), latest=day(on - latest), not_before=day(today),
        piled_days=piled, dark_until=(piled, light), opens=latest, seed_g=10.0,
    )  # fmt: skip


def room(*shelves: int, in_pile: int = 5, last: int = 30, stays: tuple[Stay, ...] = (), **more: object) -> Room:
    """Return a room with shelves that hold so many trays."""
    made = Room(
        first=day(0), last=day(last), shelves={f"s{n}": holds for n, holds in enumerate(shelves)}, in_pile=in_pile,
        stays=stays,
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def stand(trays: int, first: int, last: int, *, shelf: str | None = "s0") -> Stay:
    """Return open trays that stand already."""
    days = last - first + 1
    return Stay(
        batch="1", crop="covered", shelf=shelf, first=day(first), last=day(last), trays=trays, places=trays,
        phases=("light",) * days,
    )  # fmt: skip


def on_shelves(plan: Plan) -> Counter[tuple[str, date]]:
    """Return how many places are taken on each shelf on each day."""
    found: Counter[tuple[str, date]] = Counter()
    for each in berths(plan):
        for n in range((each.last - each.first).days + 1):
            found[(each.shelf, each.first + timedelta(days=n))] += each.places
    return found


def overfull(plan: Plan) -> list[tuple[str, date]]:
    """Return the shelves and days on which more stands than the shelf holds."""
    return [key for key, count in on_shelves(plan).items() if count > plan.room.shelves[key[0]]]


def places_needed(plan: Plan) -> Counter[date]:
    """Return the places that the sowings of a plan need by day, counted by hand: piles by crop and day, open trays."""
    found: Counter[date] = Counter()
    for crop, on in {(each.want.crop, each.on) for each in plan.sown}:
        mine = [each for each in plan.sown if (each.want.crop, each.on) == (crop, on)]
        piled = mine[0].want.piled_days
        for n in range(piled):
            found[on + timedelta(days=n)] += -(-sum(each.trays for each in mine) // plan.room.in_pile)
        for each in mine:
            for n in range(piled, (each.want.on - on).days + 1):
                found[on + timedelta(days=n)] += each.trays
    return found


def sums_hold(plan: Plan, wants: Sequence[Want]) -> bool:
    """Tell whether met and unmet are what was asked for, promise by promise."""
    met: Counter[tuple[str, date]] = Counter()
    for each in plan.sown:
        met[(each.want.promise, each.want.on)] += each.trays - each.spare
    for lost in plan.unmet:
        met[(lost.want.promise, lost.want.on)] += lost.trays
    asked: Counter[tuple[str, date]] = Counter()
    for one in wants:
        asked[(one.promise, one.on)] += one.trays
    return met == asked


@st.composite
def worlds(draw: st.DrawFn) -> tuple[list[Want], Room]:
    """Return some wants and a room that is often too small for them."""
    wants = []
    for number in range(draw(st.integers(1, 6))):
        latest = draw(st.integers(4, 8))
        usual = latest + draw(st.integers(0, 3))
        wants.append(
            want(
                draw(st.integers(1, 14)),
                draw(st.integers(3, 24)),
                crop=draw(st.sampled_from(sorted(CROPS))),
                promise=f"P{number + 1}",
                spare=draw(st.integers(0, 2)),
                window=(usual + draw(st.integers(0, 3)), usual, latest),
            )
        )
    shelves = draw(st.lists(st.integers(1, 8), max_size=4))
    stays = tuple(
        stand(draw(st.integers(1, 6)), 0, draw(st.integers(0, 12)), shelf=draw(st.sampled_from(["s0", None])))
        for _ in range(draw(st.integers(0, 2)))
    )
    owned = draw(st.one_of(st.none(), st.integers(5, 40)))
    seed_g = draw(st.dictionaries(st.sampled_from(sorted(CROPS)), st.floats(0, 200), max_size=2))
    return wants, room(*shelves, in_pile=draw(st.integers(1, 6)), stays=stays, trays_owned=owned, seed_g=seed_g)


@settings(max_examples=60)
@given(worlds())
def test_no_plan_puts_more_trays_on_a_shelf_than_it_holds(world: tuple[list[Want], Room]) -> None:
    """On any day, with what stands already; every sowing finds its places, and stays inside its days."""
    wants, where = world
    plan = make_plan(wants, where)

    if where.shelves:
        assert overfull(plan) == []
        given_out: Counter[date] = Counter()
        for each in berths(plan):
            for n in range((each.last - each.first).days + 1 if each.sown_on else 0):
                given_out[each.first + timedelta(days=n)] += each.places
        assert given_out == places_needed(plan)
    assert all(each.on in each.want.days for each in plan.sown)


@settings(max_examples=60)
@given(worlds())
def test_met_and_unmet_are_what_was_promised(world: tuple[list[Want], Room]) -> None:
    """No tray is lost in the reckoning, and each that is not met has a reason that holds."""
    wants, where = world
    plan = make_plan(wants, where)

    assert sums_hold(plan, wants)
    assert all(each.lacks for each in plan.unmet)
    assert all(each.spare <= each.want.spare and each.trays > 0 for each in plan.sown)
    for each in plan.unmet:
        assert (Lacks.TOO_LATE in each.lacks) == (each.want.not_before > each.want.earliest)
        assert (Lacks.NO_PLACES in each.lacks) == bool(each.full_on)
        assert not each.want.days or set(each.lacks) - {Lacks.TOO_LATE}


@settings(max_examples=60)
@given(worlds())
def test_trays_and_seed_are_never_overdrawn(world: tuple[list[Want], Room]) -> None:
    """What is in use stays within what is owned, and what is sown within the seed that is left."""
    wants, where = world
    plan = make_plan(wants, where)
    grams: Counter[str] = Counter()
    for each in plan.sown:
        grams[each.want.crop] += round(each.trays * each.want.seed_g)

    assert all(grams[crop] <= left + 1e-6 for crop, left in where.seed_g.items())
    for n in range((where.last - where.first).days + 1):
        mine = sum(each.trays for each in plan.sown if each.on <= day(n) <= each.want.on)
        stands = sum(stay.trays for stay in where.stays if stay.first <= day(n) <= stay.last)
        assert where.trays_owned is None or not mine or mine + stands <= where.trays_owned


def every_way(wants: Sequence[Want]) -> Iterator[list[tuple[int, date, int]]]:
    """Yield every way to sow every number of trays of each want over its days."""
    spots = [(place, on) for place, one in enumerate(wants) for on in one.days]
    for counts in product(*(range(wants[place].trays + 1) for place, _ in spots)):
        totals: Counter[int] = Counter()
        for (place, _), count in zip(spots, counts, strict=True):
            totals[place] += count
        if all(totals[place] <= one.trays for place, one in enumerate(wants)):
            yield [(place, on, count) for (place, on), count in zip(spots, counts, strict=True) if count]


def best_of_all(wants: Sequence[Want], where: Room) -> tuple[int, int]:
    """Return the most trays that can be met, and how near to the usual days those can be, by trying every way."""
    best = (-1, 0)
    for way in every_way(wants):
        book = RoomBook(wants, where)
        for place, on, count in way:
            book.sow(place, on, count)
        if book.fits():
            far = sum(count * abs((on - wants[place].usual).days) for place, on, count in way)
            best = max(best, (sum(count for _, _, count in way), -far))
    return best


@settings(max_examples=25)
@given(
    st.lists(st.tuples(st.integers(1, 3), st.integers(7, 9), st.sampled_from(sorted(CROPS))), min_size=1, max_size=3),
    st.integers(1, 5),
    st.integers(1, 3),
)
def test_a_small_plan_is_the_best_there_is(asked: list[tuple[int, int, str]], holds: int, in_pile: int) -> None:
    """Against every other way to sow the same: as many trays met, and as near to the usual days."""
    wants = [
        want(trays, on, crop=crop, promise=f"P{number}", window=(7, 6, 6) if number == 0 else (6, 6, 5))
        for number, (trays, on, crop) in enumerate(asked)
    ]
    where = room(holds, in_pile=in_pile)
    plan = make_plan(wants, where)
    far = sum(each.trays * abs((each.on - each.want.usual).days) for each in plan.sown)

    assert (plan.met, -far) == best_of_all(wants, where)


def test_with_room_for_all_everything_is_sown_on_its_usual_day() -> None:
    """Nothing has to be chosen, so no solver is asked."""
    wants = [want(8, 12, spare=1), want(5, 14, promise="P2", crop="covered")]
    plan = make_plan(wants, room(12, 12))

    assert not plan.chosen
    assert [(each.on, each.trays, each.spare) for each in plan.sown] == [(day(4), 9, 1), (day(6), 5, 0)]
    assert plan.unmet == ()


def test_shelves_that_nobody_counted_limit_nothing() -> None:
    """All is sown on its usual day."""
    assert on_usual_days([want(500, 12)], room()) is not None


def test_two_wants_for_one_shelf_move_apart() -> None:
    """Ten places for two sowings of ten that would meet on their usual days: one goes out first, the other is late."""
    wants = [
        want(10, 8, window=(8, 7, 4), crop="covered"),
        want(10, 14, promise="P2", window=(8, 7, 5), crop="covered"),
    ]
    plan = make_plan(wants, room(10))

    assert plan.met == 20
    assert plan.chosen
    assert overfull(plan) == []


def test_a_pile_needs_fewer_places_than_open_trays() -> None:
    """Two piles of five stand on two places until they are uncovered, and on ten from then on."""
    plan = make_plan([want(10, 8)], room(10))

    assert places_needed(plan) == {day(n): 2 if n < 2 else 10 for n in range(9)}


def test_it_says_when_it_is_too_late() -> None:
    """No day is left on which it could be sown."""
    (found,) = make_plan([want(4, 5)], room(10)).unmet

    assert (found.trays, found.lacks) == (4, (Lacks.TOO_LATE,))


def test_it_says_when_there_are_no_places_and_on_which_days() -> None:
    """Six places stay taken for ten days, two of eight are left."""
    (found,) = make_plan([want(4, 10, crop="covered", window=(10, 8, 6))], room(8, stays=(stand(6, 0, 10),))).unmet

    assert (found.trays, found.lacks) == (2, (Lacks.NO_PLACES,))
    assert found.full_on[-1] == day(10)


def test_it_says_when_both_stand_in_the_way() -> None:
    """Its first days are past, and on those that are left there is no place."""
    one = want(4, 8, crop="covered", window=(10, 8, 6))
    (found,) = make_plan([one], room(3, stays=(stand(3, 0, 20),))).unmet

    assert found.lacks == (Lacks.TOO_LATE, Lacks.NO_PLACES)


def test_it_says_when_trays_or_seed_run_out() -> None:
    """Five trays are owned; thirty grams of seed are three trays."""
    few_trays = make_plan([want(8, 12)], room(20, trays_owned=5)).unmet
    little_seed = make_plan([want(8, 12)], room(20, seed_g={"stacked": 30.0})).unmet

    assert [(each.trays, each.lacks) for each in few_trays] == [(3, (Lacks.NO_TRAYS,))]
    assert [(each.trays, each.lacks) for each in little_seed] == [(5, (Lacks.NO_SEED,))]


def test_the_older_promise_is_met_first() -> None:
    """Six places for two promises of four trays of the same day: the second gets the two that are left."""
    wants = [want(4, 10, promise="P7", crop="covered"), want(4, 10, promise="P2", crop="covered")]
    (found,) = make_plan(wants, room(6)).unmet

    assert (found.want.promise, found.trays) == ("P7", 2)


def test_trays_come_before_spare_ones() -> None:
    """With places for ten, eight promised and four of another are not left out for spare trays."""
    wants = [want(6, 10, spare=4, crop="covered"), want(4, 10, promise="P2", crop="covered", spare=2)]
    plan = make_plan(wants, room(10))

    assert (plan.met, sum(each.spare for each in plan.sown)) == (10, 0)


def test_what_stands_keeps_its_places_until_it_goes() -> None:
    """Trays kept for a promise leave on its day; the others stay to their last harvest day; a pile takes one place."""
    here = farm(Path())
    book = Book()
    book.sow(book.at("2026-02-24"), "radish", 6, "1")
    book.sow(book.at("2026-03-01"), "radish", 8, "2", spot="cellar/1/2")
    book.add(EntryKind.STACKED, book.at("2026-03-01", "10:00"), "2", stack="S1", spot="cellar/1/2")
    for kind, at in ((EntryKind.UNCOVERED, "2026-02-26"), (EntryKind.LIGHTS_ON, "2026-02-27")):
        book.add(kind, book.at(at), "1")
    now = book.at("2026-03-02")
    batches = fold_as_of(book.entries, now)
    supplies = supplies_of(batches.values(), PROFILES, now=now, zone=here.zone)
    asked = Owed(promise="P1", on=day(2), crop="radish", trays=4, whom="x", living=False)
    covers = cover([asked], supplies)
    where = room_of(here, supplies, covers, first=day(0), last=day(12), seed_g={})
    needs = days_of(make_plan([], where), supplies)

    assert (
        where.shelves == shelves_of(here) == dict.fromkeys([f"cellar/{r}/{s}" for r in (1, 2) for s in (1, 2, 3)], 12)
    )
    # six open trays and a pile; the pile is taken apart on the 3rd; four go on the 4th, two stay to the 6th
    assert [need.places for need in needs[:7]] == [7, 14, 14, 10, 10, 8, 8]
    assert [need.trays for need in needs[:2]] == [
        {"harvest window": 6, "germination": 8},
        {"harvest window": 6, "blackout": 8},
    ]


def test_a_want_is_what_lacks_with_its_own_days() -> None:
    """The latest day is the profile's earliest cut; seed goes by the tray's size; a soak cannot begin in the past."""
    here = farm(Path(), more='[[tray]]\nid = "half"\nwidth_mm = 127\n')
    book = Book()
    asked = Owed(promise="P1", on=day(10), crop="pea", trays=6, whom="x", living=False)
    (each,) = cover([asked], [])
    plan = sow_by(here, PROFILES["pea"], asked.on, each.lacking, [])
    found = want_of(each, plan, PROFILES["pea"], here, book.at("2026-03-02", "12:00"))

    assert (found.trays, found.latest, found.piled_days) == (6, day(1), 3)
    assert found.not_before == day(1)  # at noon it is too late to soak six hours before the evening round
    assert found.seed_g == pytest.approx(110)


def test_the_lot_sown_last_is_named() -> None:
    """By crop, whatever the batches' numbers."""
    book = Book()
    for number, lot, on in (("1", "R-2", "2026-02-20"), ("2", "R-1", "2026-02-10"), ("3", None, "2026-02-25")):
        book.add(EntryKind.SOWN, book.at(on), number, trays=2, data={"crop": "radish", "lot": lot})

    assert lots_of(fold_as_of(book.entries, book.at("2026-03-02")).values()) == {"radish": "R-2"}
