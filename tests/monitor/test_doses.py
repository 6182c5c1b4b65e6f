"""Doses read back from entries and readings are those that a simulated farm was made with, as far as sensors tell."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.profilefile import shipped_profiles
from simulated_feeds import badparameters as ranges
from simulated_feeds.badfarm import make_case, simulated_farm
from tests.bench.lookback import witnesses_of

PROFILES, FARM = shipped_profiles(), simulated_farm()
# How far off a dose may be where nothing was missing: (a share of it, so much besides). Sensors are off by what
# badparameters says; a tray's scale by a few grams, which are hours near the wilting point and of standing water.
WITHIN = {
    "cold germination": (0.15, 0.25),
    "hot germination": (0.15, 0.25),
    "dried out while covered": (0.35, 4.0),
    "dried out later": (0.35, 4.5),
    "waterlogged": (0.4, 8.0),
    "cover lifted early": (0.0, 0.55),
    "light leak": (0.15, 1.5),
    "blackout too long": (0.0, 0.0),
    "blackout too short": (0.0, 0.0),
    "too little light": (0.0, 0.2),
    "mould weather": (0.3, 1.5),
    "sown too thin": (0.02, 0.01),
    "sown too thick": (0.02, 0.01),
    "late harvest": (0.0, 0.0),
}


@pytest.mark.parametrize("cause", ranges.DOSES)
def test_the_dose_is_read_back(cause: str) -> None:
    """Of every batch of a farm in which one was spoilt by it, where the record lacks next to nothing of it."""
    case = make_case(np.random.default_rng([31, [*ranges.DOSES].index(cause)]), FARM, PROFILES, (cause,))
    seen = witnesses_of(case, PROFILES)
    share, besides = WITHIN[cause]
    told = 0
    for life in case.lives:
        dose = seen[life.batch].doses[cause]
        if dose.value is None or dose.known < 0.93:
            continue
        told += 1
        assert dose.value == pytest.approx(life.dose[cause], rel=share, abs=max(besides, 1e-6)), life.batch

    assert told >= 1
