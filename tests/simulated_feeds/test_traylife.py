"""Simulated tray lives: what is poured, lost, grown and cut closes to the gram, and a seed is a life."""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds.lifeparameters import CROPS, RANGES
from simulated_feeds.loadcell import weigh
from simulated_feeds.traylife import STEP_H, hours_until, live


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_water_of_every_simulated_tray_closes_to_the_gram(seed: int) -> None:
    """First weight + poured - poured off - given to the air = last weight, for each of four sisters."""
    life = live(seed, trays=4, pile=False)

    for tray in range(4):
        poured = sum(deed.grams for deed in life.deeds if deed.tray == tray and deed.kind in ("pour", "poured off"))
        last = life.steps - 1
        given = float(life.lost[last, tray] - life.lost[0, tray])
        assert life.weight(last, tray) == pytest.approx(life.weight(0, tray) + poured - given, abs=0.01)


def test_a_seed_is_a_life_and_another_seed_another() -> None:
    """The same seed gives the same record to the last digit; the next one does not."""
    first, again = (weigh(live(5, trays=1, pile=True), 5) for _ in range(2))
    other = weigh(live(6, trays=1, pile=True), 6)

    assert np.array_equal(first.grams, again.grams)
    assert len(first.grams) != len(other.grams) or not np.array_equal(first.grams, other.grams)


def test_the_hours_until_a_tray_is_dry_are_those_that_come_true() -> None:
    """Asked right after the last pour, the answer is the hour at which the life itself gets there."""
    found = 0
    for seed in range(40):
        life = live(seed, trays=1, pile=False)
        pours = [deed.at_h for deed in life.deeds if deed.kind == "pour"]
        begin = life.step_at((pours[-1] if pours else life.open_h) + 1.0)
        wanted = float(life.water[life.step_at(life.cut_h) - 1, 0])
        truly = (np.flatnonzero(life.water[begin:, 0] <= wanted)[0]) * STEP_H
        told = hours_until(life, np.array([begin]), 0, wanted)[0]
        if not any(deed.kind == "poured off" and deed.at_h > begin * STEP_H for deed in life.deeds):
            found += 1
            assert told == pytest.approx(truly, abs=2 * STEP_H)
    assert found > 20


def test_every_range_of_the_simulation_has_a_source_and_two_ends() -> None:
    """No number without a mark, none upside down."""
    crops = [getattr(crop, name) for crop in CROPS.values() for name in crop.__dataclass_fields__]

    for span in [*RANGES.values(), *crops]:
        assert span.source
        assert span.low <= span.high
