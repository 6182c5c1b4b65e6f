"""Crop profiles against published tables; rows are copied here from their sources, not taken from the profiles."""

from __future__ import annotations

import pytest

from monitor.profilefile import shipped_profiles
from monitor.profiles import Manner, PhaseKind, PhasePlan, Profile
from monitor.readings import Quantity

PROFILES = shipped_profiles()


def plan(crop: str, kind: PhaseKind) -> PhasePlan:
    """Return a phase that a crop must have."""
    found = PROFILES[crop].plan(kind)
    assert found is not None
    return found


def overlap(low: float, high: float, other_low: float, other_high: float) -> bool:
    """Tell whether two spans share a point."""
    return low <= other_high and other_low <= high


# [USU-MICROGREENS] table 1: grams a tray, soak in hours, days covered, days to harvest.
@pytest.mark.parametrize(
    ("crop", "grams", "soak_h", "covered", "harvest"),
    [
        ("rocket", 10, 0, (1, 2), (6, 8)),
        ("basil", 28, 0, (4, 7), (12, 16)),
        ("broccoli", 28, 0, (2, 4), (8, 12)),
        ("coriander", 28, 0, (7, 14), (21, 28)),
        ("kale", 28, 0, (1, 2), (8, 12)),
        ("pea", 150, 6, (3, 3), (8, 10)),
        ("radish", 42, 0, (1, 2), (8, 12)),
    ],
)
def test_the_seven_crops_of_utah_state(
    crop: str, grams: float, soak_h: float, covered: tuple[int, int], harvest: tuple[int, int]
) -> None:
    """Days covered and to harvest overlap the table's; weight and soak hold it, or a note says why not."""
    profile = PROFILES[crop]
    germination, window = plan(crop, PhaseKind.GERMINATION).days, plan(crop, PhaseKind.HARVEST).days
    explained = any("[USU-MICROGREENS]" in note for note in profile.notes)

    assert overlap(germination.low, germination.high, *covered)
    assert overlap(window.low, window.high, *harvest)
    assert profile.seed_g_per_tray.low <= grams <= profile.seed_g_per_tray.high or explained
    soak = profile.soak_hours
    soaked_alike = soak_h == 0 if soak is None else soak.low <= soak_h <= soak.high
    assert soaked_alike or explained


# [HARRINGTON] seedbed limits as printed, degF: minimum, maximum.
@pytest.mark.parametrize(
    ("crop", "low_f", "high_f"),
    [
        ("radish", 40, 95),
        ("red-cabbage", 40, 100),
        ("cauliflower", 40, 100),
        ("turnip", 40, 105),
        ("pea", 40, 85),
        ("beet", 40, 95),
        ("chard", 40, 95),
        ("lettuce", 35, 95),
        ("onion", 35, 95),
        ("corn", 50, 105),
    ],
)
def test_germination_bands_lie_within_harringtons_limits(crop: str, low_f: float, high_f: float) -> None:
    """No band asks for warmth or cold at which seed does not come up at all."""
    (band,) = plan(crop, PhaseKind.GERMINATION).bands[Quantity.TEMPERATURE]

    assert band.low is not None
    assert band.high is not None
    assert (low_f - 32) / 1.8 <= band.low < band.high <= (high_f - 32) / 1.8


# [UC-MG] table 5.2, degF, for crops that Harrington's print lacks.
@pytest.mark.parametrize(("crop", "low_f", "high_f"), [("broccoli", 40, 95), ("leek", 32, 95), ("celery", 40, 85)])
def test_germination_bands_lie_within_the_california_table(crop: str, low_f: float, high_f: float) -> None:
    """As above; celery's upper limit there is its day optimum."""
    (band,) = plan(crop, PhaseKind.GERMINATION).bands[Quantity.TEMPERATURE]

    assert band.low is not None
    assert band.high is not None
    assert (low_f - 32) / 1.8 <= band.low
    assert band.high <= (high_f - 32) / 1.8


# [HARRINGTON-MINGES] days to emergence half an inch deep at 20 degC: a bound for surface-sown, covered trays.
@pytest.mark.parametrize(
    ("crop", "days_at_20"),
    [
        ("radish", 4), ("red-cabbage", 6), ("cauliflower", 6), ("turnip", 3), ("pea", 8), ("beet", 6), ("lettuce", 3),
        ("onion", 5), ("celery", 7), ("corn", 7),
    ],
)  # fmt: skip
def test_trays_are_covered_no_longer_than_seed_takes_in_soil(crop: str, days_at_20: int) -> None:
    """Surface-sown covered seed comes up sooner; celery is sown open and may take three days more."""
    usual = plan(crop, PhaseKind.GERMINATION).days.usual
    slack = 3 if PROFILES[crop].manner is Manner.OPEN else 0

    assert 1 <= usual <= days_at_20 + slack


# [ISTA-5A] and [CFR-201.58] final counts, from memory: wide bounds, a tray is never expected after them.
@pytest.mark.parametrize(
    ("crop", "final_day"),
    [
        ("basil", 14), ("radish", 10), ("broccoli", 10), ("kale", 10), ("mustard", 7), ("rocket", 7), ("cress", 10),
        ("pea", 8), ("sunflower", 10), ("beet", 14), ("amaranth", 14), ("coriander", 21), ("onion", 12), ("leek", 14),
        ("dill", 21), ("fennel", 14), ("celery", 21), ("lettuce", 7), ("buckwheat", 7), ("flax", 7), ("clover", 10),
        ("alfalfa", 10), ("mung", 7), ("wheatgrass", 8), ("corn", 7),
    ],
)  # fmt: skip
def test_covering_ends_before_the_laboratorys_final_count(crop: str, final_day: int) -> None:
    """What has not come by then will not come. Values from memory."""
    assert plan(crop, PhaseKind.GERMINATION).days.high <= final_day


# [KEW-SID] 1000-seed weights in grams: checks our copying.
@pytest.mark.parametrize(
    ("crop", "grams"),
    [
        ("basil", 1.1), ("radish", 12), ("kale", 2.3), ("mustard", 2.9), ("rocket", 1.9), ("cress", 2.1),
        ("sunflower", 38.8), ("coriander", 10.3), ("onion", 3.32), ("dill", 1.8), ("lettuce", 1.0), ("flax", 6),
        ("buckwheat", 28.3), ("fenugreek", 11.9), ("mung", 40.2), ("corn", 245), ("chia", 0.8),
    ],
)  # fmt: skip
def test_seed_weights_are_kews(crop: str, grams: float) -> None:
    """One figure a species; the grower's own count beats it."""
    figure = PROFILES[crop].thousand_seed_g

    assert figure is not None
    assert figure.value == grams


@pytest.mark.parametrize("crop", ["basil", "basil-purple", "basil-thai", "basil-lemon"])
def test_what_growers_say_of_basil(crop: str) -> None:
    """Common practice, no source: ~10 g, stacked dark and left alone, out on day 4-6, 1-3 dark days, ready from 12."""
    profile = PROFILES[crop]
    germination, blackout = plan(crop, PhaseKind.GERMINATION).days, plan(crop, PhaseKind.BLACKOUT).days

    assert profile.sticky
    assert profile.soak_hours is None
    assert profile.manner is Manner.STACKED
    assert profile.seed_g_per_tray.low <= 10 <= profile.seed_g_per_tray.high
    assert (germination.low, germination.high) == (4, 6)
    assert (blackout.low, blackout.usual, blackout.high) == (1, 2, 3)
    assert profile.first_water_day.low >= 6
    assert plan(crop, PhaseKind.HARVEST).days.low == 12
    assert (profile.holding_days_living.low, profile.holding_days_living.high) == (7, 14)


# [BASIL-FLOOR]: 12 degC (54 degF) is basil's chilling floor.
@pytest.mark.parametrize("kind", [PhaseKind.GERMINATION, PhaseKind.BLACKOUT, PhaseKind.LIGHT, PhaseKind.HARVEST])
def test_basil_is_never_chilled(kind: PhaseKind) -> None:
    """Urgent at 12 degC in every phase; told at 18 degC when it is ready."""
    (band,) = plan("basil", kind).bands[Quantity.TEMPERATURE]

    assert band.urgent_low == 12
    assert band.low is not None
    assert band.low >= 18


@pytest.mark.parametrize("profile", PROFILES.values(), ids=lambda profile: str(profile.id))
def test_every_profile_is_whole(profile: Profile) -> None:
    """Sources everywhere (the reader refuses others), and days that can follow each other."""
    germination, harvest = plan(profile.id, PhaseKind.GERMINATION).days, plan(profile.id, PhaseKind.HARVEST).days
    blackout = profile.plan(PhaseKind.BLACKOUT)

    assert profile.storage["text"]
    assert germination.low + (blackout.days.low if blackout else 0) <= harvest.low
    assert profile.wilting_fraction.value < profile.refill_fraction.value


def test_there_are_thirty_crops_and_more() -> None:
    """The crops of the first release."""
    assert len(PROFILES) >= 30
