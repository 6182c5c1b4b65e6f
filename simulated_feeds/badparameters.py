"""The ranges of the simulated bad batches on which the look-back is judged, each with its source; nothing is measured.

All of it is SIMULATED. The look-back reads none of this: it sees ledger entries and readings only. These ranges were
written down before any number of the look-back's own model.
"""

from __future__ import annotations

from dataclasses import dataclass

STEP_MIN = 5
"""A reading every so many minutes. Common practice, no source."""

CROPS = ("basil", "beet", "chard", "dill", "fennel", "onion", "leek", "kale", "broccoli", "red-cabbage", "pea",
         "sunflower", "mizuna", "amaranth")  # fmt: skip
"""Crops of the simulated farms: shipped profiles with a blackout and a light phase."""
SLOW_CROPS = ("basil", "beet", "chard", "dill", "fennel", "onion", "leek")
"""Those whose cover stays on for three days at least, so that it can be lifted early."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A log-normal spread: middle and standard deviation of the logarithm."""

    middle: float
    sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseRange:
    """How much of something trays stand, have in ordinary times, and have when it went wrong.

    Attributes:
        harmful: Dose at which half of all batches turn out badly, and how farms with their crops differ in it.
        own_sigma: How batches of one crop on one farm differ in it (standard deviation of the logarithm).
        usual_share: Share of ordinary batches that have any at all.
        usual: How much those have.
        wrong: How much a batch has when it went wrong; only what passes the harmful dose counts as a cause.
        most: The dose cannot be larger.
        whole: It comes in whole numbers (days).
    """

    harmful: Spread
    own_sigma: float
    usual_share: float
    usual: Spread
    wrong: Spread
    most: float = 1e9
    whole: bool = False


DOSES: dict[str, DoseRange] = {
    # degree-hours under (over) the germination band, as a multiple of the dose at which the profile says harm begins
    "cold germination": DoseRange(
        harmful=Spread(middle=1.1, sigma=0.25), own_sigma=0.3, usual_share=0.35, usual=Spread(middle=0.15, sigma=0.9),
        wrong=Spread(middle=2.4, sigma=0.45),
    ),
    "hot germination": DoseRange(
        harmful=Spread(middle=1.1, sigma=0.25), own_sigma=0.3, usual_share=0.25, usual=Spread(middle=0.15, sigma=0.9),
        wrong=Spread(middle=2.4, sigma=0.45),
    ),
    # hours at or under the wilting point while covered: sprouting seed stands little of it
    "dried out while covered": DoseRange(
        harmful=Spread(middle=7.0, sigma=0.25), own_sigma=0.3, usual_share=0.1, usual=Spread(middle=1.5, sigma=0.8),
        wrong=Spread(middle=20.0, sigma=0.5), most=60.0,
    ),
    # hours at or under the wilting point in the open: limp plants recover within hours, not after a night
    "dried out later": DoseRange(
        harmful=Spread(middle=5.0, sigma=0.25), own_sigma=0.3, usual_share=0.3, usual=Spread(middle=1.0, sigma=0.8),
        wrong=Spread(middle=13.0, sigma=0.5), most=60.0,
    ),
    # longest hours on end with water standing; a tray drained within 12 h is taken for sound
    "waterlogged": DoseRange(
        harmful=Spread(middle=26.0, sigma=0.25), own_sigma=0.3, usual_share=1.0, usual=Spread(middle=3.5, sigma=0.6),
        wrong=Spread(middle=55.0, sigma=0.4), most=110.0,
    ),
    # days that the cover came off before the profile's earliest; a look at it counts half a day
    "cover lifted early": DoseRange(
        harmful=Spread(middle=0.9, sigma=0.2), own_sigma=0.25, usual_share=0.08, usual=Spread(middle=0.5, sigma=0.01),
        wrong=Spread(middle=2.0, sigma=0.35), whole=True, most=4.0,
    ),
    # hours with more than 5 lx under the cover
    "light leak": DoseRange(
        harmful=Spread(middle=8.0, sigma=0.3), own_sigma=0.3, usual_share=0.25, usual=Spread(middle=0.7, sigma=1.0),
        wrong=Spread(middle=24.0, sigma=0.5), most=60.0,
    ),
    # days of blackout beyond the latest, and short of the earliest
    "blackout too long": DoseRange(
        harmful=Spread(middle=1.4, sigma=0.15), own_sigma=0.25, usual_share=0.12, usual=Spread(middle=1.0, sigma=0.01),
        wrong=Spread(middle=2.8, sigma=0.3), whole=True, most=6.0,
    ),
    "blackout too short": DoseRange(
        harmful=Spread(middle=0.8, sigma=0.1), own_sigma=0.15, usual_share=0.03, usual=Spread(middle=1.0, sigma=0.01),
        wrong=Spread(middle=1.2, sigma=0.1), whole=True, most=1.0,
    ),
    # share by which the mean daily light integral falls short of the profile's least
    "too little light": DoseRange(
        harmful=Spread(middle=0.33, sigma=0.15), own_sigma=0.2, usual_share=0.25, usual=Spread(middle=0.08, sigma=0.7),
        wrong=Spread(middle=0.55, sigma=0.2), most=0.92,
    ),
    # longest hours on end with a deficit under 0.35 kPa over trays in the open
    "mould weather": DoseRange(
        harmful=Spread(middle=10.0, sigma=0.25), own_sigma=0.3, usual_share=0.4, usual=Spread(middle=2.5, sigma=0.6),
        wrong=Spread(middle=21.0, sigma=0.35), most=70.0,
    ),
    # share of seed under the profile's least, and over its most
    "sown too thin": DoseRange(
        harmful=Spread(middle=0.25, sigma=0.15), own_sigma=0.25, usual_share=0.1, usual=Spread(middle=0.06, sigma=0.6),
        wrong=Spread(middle=0.47, sigma=0.25), most=0.88,
    ),
    "sown too thick": DoseRange(
        harmful=Spread(middle=0.35, sigma=0.15), own_sigma=0.25, usual_share=0.1, usual=Spread(middle=0.07, sigma=0.6),
        wrong=Spread(middle=0.85, sigma=0.3), most=3.0,
    ),
    # days beyond the last of the harvest window
    "late harvest": DoseRange(
        harmful=Spread(middle=1.7, sigma=0.2), own_sigma=0.25, usual_share=0.12, usual=Spread(middle=1.0, sigma=0.01),
        wrong=Spread(middle=3.6, sigma=0.3), whole=True, most=9.0,
    ),
}  # fmt: skip
"""Ranges of dose by cause. Doses of harm of air follow the profiles; all spreads are common practice, no source."""

SHARED: dict[str, float] = {"seed lot": 0.92, "medium": 0.85, "spot": 0.85}
"""Causes that several batches share and nothing measures: chance that a batch of them turns out badly. Common practice,
no source."""
NOT_IN_RECORD = "none of these"

SIGNS: dict[str, dict[str, float]] = {
    "cold germination": {"slow": 0.75, "patchy": 0.45, "short": 0.25, "sparse": 0.3},
    "hot germination": {"patchy": 0.6, "sparse": 0.35, "rot": 0.25, "leggy": 0.15},
    "dried out while covered": {"patchy": 0.8, "sparse": 0.45, "slow": 0.3, "short": 0.15},
    "dried out later": {"limp": 0.8, "short": 0.3, "pale": 0.2},
    "waterlogged": {"rot": 0.7, "pale": 0.45, "mould": 0.25, "limp": 0.2},
    "cover lifted early": {"patchy": 0.7, "short": 0.35, "sparse": 0.3, "slow": 0.2},
    "light leak": {"leggy": 0.25, "short": 0.45, "patchy": 0.2},
    "blackout too long": {"leggy": 0.75, "pale": 0.65, "limp": 0.15},
    "blackout too short": {"short": 0.8},
    "too little light": {"leggy": 0.75, "pale": 0.6, "slow": 0.25},
    "mould weather": {"mould": 0.85, "rot": 0.25},
    "sown too thin": {"sparse": 0.85},
    "sown too thick": {"crowded": 0.75, "mould": 0.35, "leggy": 0.25, "rot": 0.2},
    "seed lot": {"patchy": 0.4, "slow": 0.4, "sparse": 0.5, "off-types": 0.3},
    "medium": {"slow": 0.4, "pale": 0.4, "patchy": 0.25, "mould": 0.15},
    "spot": {"slow": 0.3, "patchy": 0.35, "limp": 0.2, "short": 0.2},
    "late harvest": {"coarse": 0.85, "pale": 0.2},
    NOT_IN_RECORD: {"patchy": 0.3, "slow": 0.3, "sparse": 0.25, "pale": 0.25, "rot": 0.15, "limp": 0.1, "short": 0.15},
}
"""What is seen on trays by what spoilt them. Common practice, no source; each farm's are drawn round these."""
SIGN_SPREAD = 12.0
"""How tightly: the sum of the two numbers of a beta distribution. Ours."""
SIGN_BY_CHANCE = 0.03
SIGN_NOTED = (0.7, 0.95)
"""A sign that is there gets written down so often."""

# --- what the record lacks -----------------------------------------------------------------------------------------
OUTCOME_ENTERED = 0.93
SIGNS_ENTERED = 0.9
ENTRY_FORGOTTEN = 0.05
"""Uncover, lights, sowing weight, lot, medium: each of them left out so often."""
WATERING_FORGOTTEN = 0.15
SENSOR_MISSING = 0.06
"""A shelf or tray without the sensor, by kind. Common practice, no source."""
GAPS = (0.0, 0.3)
"""Share of the time that a sensor is silent."""
GAP_HOURS = (0.5, 14.0)
NOISE = {"temperature": 0.15, "humidity": 1.5, "ppfd": 3.0, "light": 0.4, "weight": 3.0}
OFFSET = {"temperature": 0.3, "humidity": 2.0, "ppfd": 0.03, "weight": 8.0}
"""What a sensor is off by for good; of ppfd a share."""

# --- the farm ------------------------------------------------------------------------------------------------------
SHELVES = 6
POSITIONS = 3
DAYS_BEFORE = (34, 46)
SIBLINGS = (3, 7)
EARLIER = (5, 10)
SAME_SHELF = 0.45
SAME_CROP = 0.55
ROOM_C = (21.8, 23.2)
SWING_C = (0.4, 1.2)
ROOM_RH = (52.0, 62.0)
PPFD = (165.0, 235.0)
LIT_HOURS = (15, 17)
SHARED_SPELL = 0.5
"""A spell of cold, heat or damp reaches the whole room so often; else one shelf. Common practice, no source."""
OTHER_HARM = 0.03
"""An ordinary batch turns out badly by something that nobody knows so often. Common practice, no source."""
MIXTURES, NOT_RECORDED = 0.15, 0.12
"""Share of the cases with two causes, and with one that is not in the record."""
BAD_SEED_AS_GOOD = 0.5
"""Of the latter: bad seed that was entered under the name of a lot which is good."""
LOT_MATES = (1, 4)
"""Other batches of a lot, a bag of medium or a place that is bad."""
BAD_STAND, GOOD_STAND = (0.5, 2.0), (3.5, 5.0)
BAD_YIELD, GOOD_YIELD = (0.2, 0.7), (0.85, 1.15)
"""Share of the profile's usual yield."""
