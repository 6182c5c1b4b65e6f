"""Available water, pours and coir against published figures; and the model against what growers pour on basil."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor.amounts import ML_PER_CUP, read_ml
from monitor.availability import (
    depth_to_grams,
    fraction_left,
    pour_to_target,
    readily_available_water,
    stress_coefficient,
    total_available_water,
)
from monitor.farm import NOMINAL_TRAY_AREA_M2
from monitor.growth import GrowthClock
from monitor.handwater import by_hand
from monitor.pouring import is_due
from monitor.profilefile import load_profiles
from monitor.profiles import PhaseKind
from monitor.trayfacts import Air, Pour, TrayFacts

HOUR_MS = 3_600_000


def test_total_and_readily_available_water() -> None:
    """[FAO56] eq. 82 and 83, ch. 8 (from memory): 0.32 and 0.12 m3/m3 over 0.8 m hold 160 mm, 40 % of it readily."""
    total = total_available_water(0.32, 0.12, 0.8)

    assert total == pytest.approx(160.0)
    assert readily_available_water(total, 0.4) == pytest.approx(64.0)


@pytest.mark.parametrize(("depleted_g", "ks"), [(0.0, 1.0), (300.0, 1.0), (650.0, 0.5), (1000.0, 0.0), (1200.0, 0.0)])
def test_stress_coefficient(depleted_g: float, ks: float) -> None:
    """[FAO56] eq. 84 (recomputed): 1,000 g in all, 0.3 of it without stress: at 650 g gone drying is halved."""
    assert float(stress_coefficient(depleted_g, 1000.0, 0.3)) == pytest.approx(ks)


def test_the_same_by_weight() -> None:
    """[FAO56] eq. 82 by mass: 300 g down of 1,000 is the refill point of 0.7; with plants on it the weight climbs."""
    assert float(fraction_left(1700.0, 2000.0, 1000.0, 0.0)) == pytest.approx(0.7)
    assert float(fraction_left(1900.0, 2200.0, 1200.0, 0.0)) == pytest.approx(0.7)


def test_a_millimetre_on_a_nominal_tray() -> None:
    """Exact from 1 in = 25.4 mm: 1 mm on 10 x 20 inches is 129.0 g."""
    assert depth_to_grams(1.0, NOMINAL_TRAY_AREA_M2) == pytest.approx(129.03, abs=0.01)


@pytest.mark.parametrize(
    ("density_kg_m3", "temp_c"), [(999.975, 4), (999.103, 15), (998.207, 20), (997.048, 25), (995.649, 30)]
)
def test_a_gram_is_a_millilitre_to_half_a_percent(density_kg_m3: float, temp_c: float) -> None:
    """[IAPWS95] density of water at 1 atm: pouring grams as millilitres errs by less than 0.5 % from 4 to 30 degC."""
    grams = pour_to_target(400.0, target=1.0, left=0.5, most_g=1500)

    assert grams == pytest.approx(grams / (density_kg_m3 / 1000), rel=0.005), temp_c


def test_a_poured_us_cup_weighs_what_volume_and_density_say() -> None:
    """[SP811] 1 US cup = 236.5882365 ml, [IAPWS95] 998.207 kg/m3 at 20 degC: 236.16 g, within 0.2 % of our grams."""
    assert pytest.approx(236.164, abs=0.001) == ML_PER_CUP * 0.998207
    assert read_ml("1 cup", "US") == pytest.approx(236.164, rel=0.002)


def test_coir_holds_what_is_published() -> None:
    """[COIR-EVANS] 73 to 80 % of 1.89 l: 1.38 to 1.51 l; the simulated trays lie under that, being thinner."""
    from simulated_feeds.lifeparameters import RANGES

    low, high = (0.01 * share * 1892.706 for share in (73, 80))

    assert (round(low), round(high)) == (1382, 1514)
    assert RANGES["holds_g"].high <= high


def test_basil_is_poured_as_growers_pour_it() -> None:
    """The model alone, in usual air, pours what growers pour.

    Common practice, no source: a sown and stacked basil tray wants nothing before day 6; from day 7 to 10 about 550 to
    900 ml in all, with at least one of these days without a pour.
    """
    basil = load_profiles(None)["basil"]
    sown = datetime(2026, 3, 2, 9, tzinfo=UTC)
    sown_ms = int(sown.timestamp() * 1000)
    germination, blackout = (basil.plan(kind) for kind in (PhaseKind.GERMINATION, PhaseKind.BLACKOUT))
    assert germination is not None
    assert blackout is not None
    opened = sown_ms + int(germination.days.usual * 24 * HOUR_MS)
    lit = opened + int(blackout.days.usual * 24 * HOUR_MS)
    air = Air(
        lit_at=lambda at_ms: np.asarray(
            (np.asarray(at_ms) / HOUR_MS % 24 >= 6) & (np.asarray(at_ms) / HOUR_MS % 24 < 22)
        ),
        deficit_at=lambda at_ms: np.full(np.shape(at_ms), 1.0),
    )
    facts = TrayFacts(
        clock=GrowthClock(sown_at=sown, usual=timedelta(days=14)),
        uncovered_ms=None, lit_ms=None, yield_g=basil.yield_g_per_tray,
        refill=basil.refill_fraction.value, wilting=basil.wilting_fraction.value,
    )  # fmt: skip
    poured: dict[int, float] = {}
    for day in range(12):
        for hour in (7.5, 17.0):
            now_ms = sown_ms + int(((day * 24 + hour) - 9) * HOUR_MS)
            if now_ms < sown_ms:
                continue
            known = replace(
                facts,
                uncovered_ms=opened if now_ms >= opened else None,
                lit_ms=lit if now_ms >= lit else None,
            )
            water = by_hand(known, air, now_ms)
            if now_ms >= opened and is_due(water, 10 if hour < 12 else 14):
                facts = replace(facts, pours=(*facts.pours, Pour(at_ms=now_ms, grams=water.pour_g)))
                poured[day] = poured.get(day, 0.0) + water.pour_g

    assert min(poured) >= 6
    assert 550 <= sum(grams for day, grams in poured.items() if 7 <= day <= 10) <= 900
    assert len([day for day in range(7, 11) if day not in poured]) >= 1
