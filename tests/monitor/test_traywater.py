"""How much water a tray has left: the balance, its marks, its sisters, the hand, and what follows for a pour."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor.candidates import COUNT, Candidates, normals
from monitor.growth import GrowthClock, OwnCuts, cover_share, grown_share, growth_of, pace_of
from monitor.handwater import by_hand
from monitor.pouring import is_due, until_cut
from monitor.profilefile import load_profiles
from monitor.profiles import Span
from monitor.trayfacts import Air, Known, Lift, Mark, Pour, TrayFacts, Weighing
from monitor.traywater import by_sister, by_weight
from monitor.waterahead import TrayWater
from tests.support.weights import HOUR_MS, cell_of, tray

SOWN = datetime(2026, 3, 2, 9, tzinfo=UTC)
SOWN_MS = int(SOWN.timestamp() * 1000)
DAY_MS = 24 * HOUR_MS
PROFILES = load_profiles(None)
AIR = Air(
    lit_at=lambda at_ms: np.asarray((np.asarray(at_ms) / HOUR_MS % 24 >= 6) & (np.asarray(at_ms) / HOUR_MS % 24 < 22)),
    deficit_at=lambda at_ms: np.full(np.shape(at_ms), 1.0),
)
FACTS = TrayFacts(
    clock=GrowthClock(sown_at=SOWN, usual=timedelta(days=8)),
    uncovered_ms=SOWN_MS + 3 * DAY_MS,
    lit_ms=SOWN_MS + 4 * DAY_MS,
    yield_g=Span(low=250, usual=330, high=450, source="test"),
    refill=0.5,
    wilting=0.2,
    full_g=1800,
    limp_g=1000,
    limp_is_measured=True,
)


def water_at(day: float, weight_g: float, facts: TrayFacts = FACTS, *, loss_g_h: float = 12.0) -> TrayWater:
    """Return the water of a tray that weighs so much on a day, having dried evenly for two days before."""
    now_ms = SOWN_MS + int(day * DAY_MS)
    rows = tray(48, start_g=weight_g + 48 * loss_g_h, loss_g_h=loss_g_h, begin_ms=now_ms - 48 * HOUR_MS, every_min=5)
    found = by_weight(cell_of(rows), facts, AIR, now_ms)
    assert found is not None
    return found


def test_plants_are_made_of_the_trays_own_water() -> None:
    """The same weight means less water on day 8 than on day 4: a fixed limit is wrong by the yield."""
    early, late = water_at(4.5, 1600), water_at(8, 1600)

    assert late.left < early.left - 0.15
    assert late.deficit_g == pytest.approx(1800 + 330 - 1600, abs=45)
    assert late.plants_g == pytest.approx(330, abs=60)


def test_full_is_one_and_limp_is_the_wilting_point() -> None:
    """By the set-up, with the plants' weight on top."""
    grown = 330 * float(grown_share(0.5))

    assert water_at(4, 1788 + grown).left == pytest.approx(1.0, abs=0.04)
    assert water_at(4, 1000 + grown).left == pytest.approx(0.2, abs=0.05)


def test_a_weighing_marked_full_sets_the_balance_anew() -> None:
    """A tray that grows half as much as the profile says: after the mark the pour is right."""
    mark = Mark(at_ms=SOWN_MS + 7 * DAY_MS, grams=1800 + 150, what="full")
    guessed, told = water_at(7.5, 1600), water_at(7.5, 1600, replace(FACTS, marks=(mark,)))
    truth = 1800 + 165 - 1600

    assert abs(told.deficit_g - truth) < 60  # what it grows in the half day since is guessed again
    assert abs(told.deficit_g - truth) < abs(guessed.deficit_g - truth)
    assert told.left_high - told.left_low < guessed.left_high - guessed.left_low


def test_water_poured_off_long_before_the_medium_was_full_does_not_mislead() -> None:
    """Far under what a full tray weighs, a brim says nothing; near it, it says a good deal."""
    far = Mark(at_ms=SOWN_MS + 7 * DAY_MS, grams=1500, what="brim")

    assert water_at(7.5, 1600, replace(FACTS, marks=(far,))).deficit_g == pytest.approx(
        water_at(7.5, 1600).deficit_g, abs=60
    )


def test_the_hours_until_dry_follow_the_lamp() -> None:
    """The same tray lasts longer through the night than through the day."""

    def at(now_ms: int) -> TrayWater:
        begin_ms = now_ms - 48 * HOUR_MS
        lit = AIR.lit_at(begin_ms + np.arange(48.0) * HOUR_MS)
        falls = [(hour + 0.5, -(14.0 if on else 4.0)) for hour, on in enumerate(lit)]
        rows = tray(48, start_g=1450 - sum(grams for _, grams in falls), loss_g_h=0, begin_ms=begin_ms, every_min=5)
        hours = np.array([(at_ms - begin_ms) / HOUR_MS for at_ms, _ in rows])
        lost = np.cumsum([0.0, *(14.0 if on else 4.0 for on in lit)])
        smooth = np.interp(hours, np.arange(49), lost)
        cell = cell_of([(at_ms, grams - fall) for (at_ms, grams), fall in zip(rows, smooth, strict=True)])
        found = by_weight(cell, FACTS, AIR, now_ms)
        assert found is not None
        return found

    evening, morning = at(SOWN_MS + int((6 + 13 / 24) * DAY_MS)), at(SOWN_MS + int((6 + 21 / 24) * DAY_MS))

    assert evening.left == pytest.approx(morning.left, abs=0.05)
    assert evening.dry_h > morning.dry_h + 3
    assert evening.dry_h_low <= evening.dry_h <= evening.dry_h_high


def test_dry_air_dries_faster() -> None:
    """A deficit of 2 kPa to come after 1 kPa shortens what is left."""
    now_ms = SOWN_MS + 6 * DAY_MS
    drier = Air(AIR.lit_at, lambda at_ms: np.where(np.asarray(at_ms) > now_ms, 2.0, 1.0))
    cell = cell_of(tray(48, start_g=1500 + 576, loss_g_h=12, begin_ms=now_ms - 48 * HOUR_MS, every_min=5))
    usual, dry = by_weight(cell, FACTS, AIR, now_ms), by_weight(cell, FACTS, drier, now_ms)

    assert usual is not None
    assert dry is not None
    assert dry.dry_h < 0.9 * usual.dry_h


def test_a_sister_is_known_less_surely_and_her_own_lifts_move_her() -> None:
    """Wider than the tray on the scale; light in the hand means less, heavy more."""
    now_ms = SOWN_MS + 6 * DAY_MS
    cell = cell_of(tray(48, start_g=1600 + 576, loss_g_h=12, begin_ms=now_ms - 48 * HOUR_MS, every_min=5))
    own = by_weight(cell, FACTS, AIR, now_ms)
    plain = by_sister(cell, FACTS, AIR, now_ms, lifts=())
    light, heavy = (
        by_sister(cell, FACTS, AIR, now_ms, lifts=[Lift(at_ms=now_ms - HOUR_MS, feel=feel)] * 2)
        for feel in ("light", "heavy")
    )

    assert own is not None
    assert plain is not None
    assert light is not None
    assert heavy is not None
    assert plain.known is Known.SISTER
    assert plain.left_high - plain.left_low > own.left_high - own.left_low
    assert light.left < plain.left < heavy.left


def test_a_shelf_scale_tells_the_average_tray() -> None:
    """Six trays together are judged as one of them."""
    now_ms = SOWN_MS + 6 * DAY_MS
    one = cell_of(tray(48, start_g=1600 + 576, loss_g_h=12, begin_ms=now_ms - 48 * HOUR_MS, every_min=5))
    six = cell_of(tray(48, start_g=6 * 2176, loss_g_h=72, begin_ms=now_ms - 48 * HOUR_MS, every_min=5))
    alone, shelf = by_weight(one, FACTS, AIR, now_ms), by_weight(six, FACTS, AIR, now_ms, trays=6)

    assert alone is not None
    assert shelf is not None
    assert shelf.known is Known.SHELF
    assert shelf.left == pytest.approx(alone.left, abs=0.02)


def test_the_hand_teaches_how_fast_a_tray_dries() -> None:
    """A tray that was light again a day after its pour is dry sooner than one that stayed heavy."""
    day = [SOWN_MS + int(each * DAY_MS) for each in (5.0, 6.0, 7.0)]
    poured = tuple(Pour(at_ms=at_ms, grams=400) for at_ms in day[:2])

    def judged(feel: str) -> TrayWater:
        lifts = tuple(Lift(at_ms=at_ms - HOUR_MS, feel=feel) for at_ms in day[1:])
        return by_hand(replace(FACTS, lifts=lifts, pours=poured), AIR, day[2])

    light, heavy = judged("light"), judged("heavy")

    assert light.left < heavy.left - 0.1
    assert light.rate.lit_g_h > heavy.rate.lit_g_h
    assert light.dry_h < heavy.dry_h


def test_a_kitchen_scale_tells_what_is_missing_since_it_was_full() -> None:
    """Full at 2,000 g, 1,700 g a day and a half later: 300 g and what the plants gained are missing."""
    full = Mark(at_ms=SOWN_MS + 6 * DAY_MS, grams=2000, what="full")
    facts = replace(FACTS, marks=(full,), weighings=(Weighing(at_ms=SOWN_MS + int(7.5 * DAY_MS), grams=1700),))

    assert by_hand(facts, AIR, SOWN_MS + int(7.5 * DAY_MS)).deficit_g == pytest.approx(360, abs=60)


def test_a_tray_with_water_is_not_asked_for_however_many_days_have_passed() -> None:
    """80 % left: not due, even twelve hours from the next round; 45 % left: due."""
    assert not is_due(water_at(6, 1750, loss_g_h=3), 12)
    assert is_due(water_at(6, 1380), 12)


def test_a_tray_that_would_be_late_at_the_next_round_is_asked_for_at_this_one() -> None:
    """At 58 % with 12 h to the next round it is due, with two hours to it not."""
    water = water_at(6 + 21 / 24, 1590)

    assert 0.5 < water.left < 0.7
    assert is_due(water, 12)
    assert not is_due(water, 0.5)


def test_standing_water_is_never_topped_up() -> None:
    """A tray heavier than full is over 1, and its pour is nothing."""
    water = water_at(5, 2300, loss_g_h=4)

    assert water.left > 1
    assert water.deficit_g < 0
    assert water.pour_g == 0
    assert not is_due(water, 12)


def test_before_the_cut_only_what_carries_a_tray_there() -> None:
    """Six hours before the cut the pour is a part of the usual one, or nothing."""
    dry, moist = water_at(7.9, 1400), water_at(7.9, 1700)

    assert 0 < until_cut(dry, 6).pour_g < 0.6 * dry.pour_g
    assert until_cut(moist, 6).pour_g == 0
    assert until_cut(dry, 48) == dry


def test_never_more_than_the_tray_takes_at_once() -> None:
    """A pour is bounded by what tray and bottom tray hold."""
    assert water_at(7, 1100, replace(FACTS, most_pour_g=350)).pour_g == 350


def test_without_a_set_up_a_weight_says_nothing() -> None:
    """No full weight, no answer; so no wrong nudge."""
    cell = cell_of(tray(6, begin_ms=SOWN_MS))

    assert by_weight(cell, replace(FACTS, full_g=None, limp_g=None), AIR, SOWN_MS + 6 * HOUR_MS) is None


def test_the_same_record_always_gives_the_same_answer() -> None:
    """Nothing is drawn at random while judging."""
    assert water_at(6, 1500) == water_at(6, 1500)


def test_growth_is_a_third_at_half_time_and_cover_follows() -> None:
    """Nothing at sowing, the yield at the usual cut, never falling."""
    way = np.linspace(0, 1.5, 50)

    assert float(grown_share(0.0)) == pytest.approx(0, abs=1e-9)
    assert float(grown_share(1.0)) == pytest.approx(1)
    assert 0.25 < float(grown_share(0.5)) < 0.42
    assert (np.diff(grown_share(way)) > 0).all()
    assert ((cover_share(way) >= 0) & (cover_share(way) < 1.01)).all()


def test_the_farms_own_cuts_stand_for_the_profile_from_three_on() -> None:
    """Two are too few."""
    radish = PROFILES["radish"]
    own = growth_of(radish, OwnCuts(days=(9, 9, 10), grams=(280, 300, 310)))

    assert own.yield_g.usual == 300
    assert own.days == 9
    assert growth_of(radish, OwnCuts(days=(9, 9), grams=(280, 300))).yield_g == radish.yield_g_per_tray


@pytest.mark.parametrize(("mean_c", "pace"), [(22.0, 1.0), (25.0, 1.25), (14.0, 0.7), (None, 1.0)])
def test_warmth_sets_the_pace(mean_c: float | None, pace: float) -> None:
    """A constant heat sum over a base of 10 degC, within 0.7 and 1.3."""
    assert pace_of(mean_c, 22.0, 10.0) == pytest.approx(pace)


def test_a_measurement_moves_candidates_as_the_arithmetic_of_normals_says() -> None:
    """Prior 10 +- 2, measured 14 +- 2: 12 +- 1.41, and what hangs together with it moves along."""
    members = Candidates({"a": 10 + 2 * normals(0), "b": 5 + 4 * normals(0) + 1 * normals(1)})
    members.measured(members["a"], 14.0, 2.0, noise=5)

    assert len(members["a"]) == COUNT
    assert members["a"].mean() == pytest.approx(12.0, abs=0.15)
    assert members["a"].std() == pytest.approx(2**0.5, abs=0.2)
    assert members["b"].mean() == pytest.approx(9.0, abs=0.5)
