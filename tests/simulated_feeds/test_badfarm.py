"""The simulated bad batches: what was asked for spoils them, alone, and what the look-back reads does not tell it."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.fold import fold
from monitor.profilefile import shipped_profiles
from simulated_feeds import badparameters as ranges
from simulated_feeds.badair import PER_HOUR, damp_spell, longest_wet, mean_daily_light, ordinary_room, temperature_spell
from simulated_feeds.badfarm import Case, draw_causes, make_case, simulated_farm

PROFILES, FARM = shipped_profiles(), simulated_farm()
CAUSES = [*ranges.DOSES, *ranges.SHARED, ranges.NOT_IN_RECORD]


def made(cause: str, seed: int = 1) -> Case:
    """Return a case of one cause."""
    return make_case(np.random.default_rng([seed, CAUSES.index(cause)]), FARM, PROFILES, (cause,))


@pytest.mark.parametrize("cause", CAUSES)
def test_the_cause_asked_for_spoils_the_batch_alone(cause: str) -> None:
    """Its dose is over what the batch stands, and no other is; the ledger folds."""
    case = made(cause)
    target = case.lives[-1]

    assert case.truth == {cause} == target.harmed
    for name in ranges.DOSES:
        assert (target.dose[name] > target.stands[name]) is (name == cause)
    assert fold(case.entries)[case.target].crop == target.profile.id


@pytest.mark.parametrize("cause", CAUSES)
def test_what_is_read_does_not_name_the_cause(cause: str) -> None:
    """No entry holds a cause's name, nor the invented harm of a batch."""
    said = " ".join(f"{entry.kind} {[*entry.data.values()]}" for entry in made(cause).entries)

    assert not any(each in said for each in CAUSES)
    assert "harmed" not in said


def test_the_same_seed_gives_the_same_farm() -> None:
    """Entries and readings alike."""
    one, other = made("mould weather", 5), made("mould weather", 5)

    assert one.entries == other.entries
    assert all(np.array_equal(one.readings[name][1], other.readings[name][1]) for name in one.readings)


def test_spells_come_out_at_the_dose_asked_for() -> None:
    """Cold by degree-hours, damp by hours on end."""
    rng = np.random.default_rng(2)
    room = ordinary_room(rng, 10)
    temperature_spell(rng, room, 2, 100, 1200, 16.0, 30.0, -1)
    damp_spell(rng, room, 2, 1300, 2000, 15.0)

    cold = np.maximum(16.0 - room.temp_c[2, 100:1200], 0).sum() / PER_HOUR
    assert cold == pytest.approx(30.0, rel=0.01)
    assert longest_wet(room.deficit_kpa(2, 1300, 2000)) == pytest.approx(15.0, abs=0.2)
    assert mean_daily_light(room.ppfd[2], 0, 2880) > 6


def test_all_sorts_of_cases_are_drawn() -> None:
    """Every cause comes, alone and in twos; what cannot be two never does."""
    rng = np.random.default_rng(3)
    drawn = [draw_causes(rng) for _ in range(1500)]
    alone = {case[0] for case in drawn if len(case) == 1}

    assert alone == set(CAUSES)
    assert 0.1 < sum(len(case) == 2 for case in drawn) / len(drawn) < 0.2
    assert not any({"sown too thin", "sown too thick"} == {*case} for case in drawn)
