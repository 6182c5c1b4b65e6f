"""The ranges from which simulated room-weeks are drawn, each with its source; nothing here is measured.

They were written down before the rules that are judged on them, and are not tuned to what those find.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from simulated_feeds.lifeparameters import Range

_CP = "common practice, no source"
_OURS = "ours"

WARM_UP_DAYS = 2
"""Days before the judged week in which rules may learn the room; nothing told in them is judged. Ours."""
JUDGED_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildingRange:
    """One kind of room.

    Attributes:
        loss_w_m2k: Through walls, floor and ceiling together. [W m-2 K-1]
        still_share: Share of that which goes to the ground or to heated neighbours, not to the weather.
        still_c: How warm the neighbours are; None: the ground, at the year's mean. [degC]
        air_changes_h: By gaps and vents. [1/h]
        mass_kj_m2k: What the walls' inner layer holds. [kJ m-2 K-1]
        daylight_lx: What falls on shelves by day at most. [lx]
    """

    loss_w_m2k: Range
    still_share: Range
    still_c: Range | None
    air_changes_h: Range
    mass_kj_m2k: Range
    daylight_lx: Range


BUILDINGS: dict[str, BuildingRange] = {
    "cellar": BuildingRange(
        loss_w_m2k=Range(0.6, 1.4, _CP),
        still_share=Range(0.6, 0.9, _CP),
        still_c=None,
        air_changes_h=Range(0.4, 1.0, _CP),
        mass_kj_m2k=Range(120, 250, f"{_CP}: masonry, some 10 cm of it"),
        daylight_lx=Range(0, 5, _CP),
    ),
    "outbuilding": BuildingRange(
        loss_w_m2k=Range(0.3, 0.8, _CP),
        still_share=Range(0.1, 0.25, _CP),
        still_c=None,
        air_changes_h=Range(0.5, 1.5, _CP),
        mass_kj_m2k=Range(20, 80, f"{_CP}: boards over insulation, a concrete floor"),
        daylight_lx=Range(0, 60, _CP),
    ),
    "spare room": BuildingRange(
        loss_w_m2k=Range(0.4, 1.0, _CP),
        still_share=Range(0.5, 0.8, _CP),
        still_c=Range(17, 21, _CP),
        air_changes_h=Range(0.4, 1.0, _CP),
        mass_kj_m2k=Range(40, 120, _CP),
        daylight_lx=Range(0, 80, _CP),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateRange:
    """One kind of weather.

    Attributes:
        zone: Time zone that the farm is put in.
        mean_c: Mean of the year. [degC]
        season_c: Half of what lies between the warmest and the coldest month. [degC]
        swing_c: Half of a clear day's swing. [degC]
        front_c: How far fronts carry a day from its season, standard deviation. [degC]
        dew_under_c: How far the dew point lies under the day's mean. [degC]
    """

    zone: str
    mean_c: Range
    season_c: Range
    swing_c: Range
    front_c: Range
    dew_under_c: Range


CLIMATES: dict[str, ClimateRange] = {
    "mild coast": ClimateRange(
        zone="Europe/Lisbon",
        mean_c=Range(12, 17, _CP),
        season_c=Range(4, 7, _CP),
        swing_c=Range(2.5, 5, _CP),
        front_c=Range(1.5, 3, _CP),
        dew_under_c=Range(3, 6, _CP),
    ),
    "temperate": ClimateRange(
        zone="Europe/Berlin",
        mean_c=Range(8, 11, _CP),
        season_c=Range(8, 11, _CP),
        swing_c=Range(3, 6, _CP),
        front_c=Range(2.5, 4.5, _CP),
        dew_under_c=Range(3, 6, _CP),
    ),
    "cold winters": ClimateRange(
        zone="Europe/Helsinki",
        mean_c=Range(4, 8, _CP),
        season_c=Range(11, 15, _CP),
        swing_c=Range(3, 6, _CP),
        front_c=Range(3, 5, _CP),
        dew_under_c=Range(3, 6, _CP),
    ),
    "hot summers": ClimateRange(
        zone="America/Chicago",
        mean_c=Range(10, 17, _CP),
        season_c=Range(10, 14, _CP),
        swing_c=Range(4, 8, _CP),
        front_c=Range(3, 5, _CP),
        dew_under_c=Range(4, 10, _CP),
    ),
}

RANGES: dict[str, Range] = {
    # the weather
    "front_memory_h": Range(30, 70, f"{_CP}: how long a front stays"),
    "clear_share": Range(0.2, 1.0, f"{_CP}: share of a clear day's swing that a day has"),
    # the room
    "room_m3_per_rack": Range(10, 22, _CP),
    "air_c_share": Range(1.3, 2.0, f"{_CP}: heat that follows the air at once, in units of the air's own"),
    "wall_w_m2k": Range(4, 8, f"{_CP}: from the air to the walls"),
    "goods_kj_k_per_tray": Range(4, 8, f"{_CP}: a wet tray, and its share of the rack"),
    "goods_w_k_per_tray": Range(0.8, 2.0, f"{_CP}: from the air to them"),
    "damp_store": Range(2, 5, f"{_CP}: walls and coir keep vapour, in units of the air's own"),
    "wall_m_h": Range(4, 10, f"{_CP}: vapour to a wet wall, mass transfer"),
    "gradient_c_m": Range(0.1, 0.7, f"{_CP}: warmer by the metre of height"),
    "shelf_spacing_m": Range(0.35, 0.5, _CP),
    "shelf_spread_c": Range(0.05, 0.35, f"{_CP}: how places of one room differ, standard deviation"),
    # heater, cooler
    "heater_over_need_c": Range(1.5, 3.5, f"{_CP}: set point above what the tenderest crop there asks"),
    "heater_spare": Range(1.2, 2.2, f"{_CP}: power, in units of a cold night's need"),
    "heater_hysteresis_c": Range(0.4, 2.0, f"{_CP}: from on to off, thermostats of heaters"),
    "cooler_gap_c": Range(2.5, 5.0, f"{_CP}: set point above the heater's"),
    "cooler_spare": Range(1.2, 2.0, f"{_CP}: power, in units of a hot day's need"),
    "cooler_hysteresis_c": Range(0.5, 1.5, _CP),
    "cooler_dries_share": Range(0.1, 0.3, f"{_CP}: share of its power that condenses water"),
    # humidity
    "humidifier_set_pct": Range(50, 58, _CP),
    "humidifier_spare": Range(1.5, 4.0, f"{_CP}: bought for the driest day, and larger than needed"),
    "dryer_set_pct": Range(60, 72, f"{_CP}: 45 to 70 % is usual over open trays"),
    "dryer_spare": Range(1.4, 2.5, _CP),
    "hygrostat_hysteresis_pct": Range(2, 6, _CP),
    "dryer_w_h_g": Range(0.4, 1.0, f"{_CP}: electricity of a dehumidifier for each gram"),
    # lamps
    "lamp_w_per_shelf": Range(25, 70, _CP),
    "lamp_lx": Range(6_000, 16_000, "100 to 250 umol m-2 s-1, common practice, at 60 to 75 lx for each"),
    "lamp_spread": Range(0.03, 0.12, f"{_CP}: how lamps of shelves differ, standard deviation"),
    "lamp_hours": Range(14, 17.5, "[MSU-PHOTOPERIOD] 16 h on; the ends are common practice, no source"),
    "lamp_warms_c": Range(0.5, 2.0, f"{_CP}: a lit shelf with its fan on, over the room"),
    "place_share": Range(0.8, 1.2, "ours: how lamp and fan of one shelf differ from the room's"),
    "lamp_lag_min": Range(15, 45, _CP),
    "spill_share": Range(0.004, 0.03, f"{_CP}: light of the other shelves on a shelf without a lamp"),
    "lux_per_umol": Range(60, 75, f"{_CP}: white lamps; [THIMIJAN-HEINS] has 74 for cool-white tubes"),
    # fans
    "fan_m3_h": Range(60, 200, f"{_CP}: air through one shelf"),
    "still_m3_h_share": Range(0.02, 0.1, f"{_CP}: what is left of that when the fan is dead"),
    "still_warms": Range(1.3, 2.0, f"{_CP}: lamp's warmth without the fan, in units of that with it"),
    "leaf_under_c": Range(0.2, 0.8, f"{_CP}: a leaf in the dark lies so far under its air"),
    "canopy_lag_min": Range(8, 20, _CP),
    # under a cover
    "cover_lag_h": Range(0.8, 2.5, f"{_CP}: how a covered tray follows the room"),
    "cover_warms_c": Range(0.0, 1.0, f"{_CP}: germinating seed"),
    "cover_humidity_pct": Range(92, 99, _CP),
    "cover_lx": Range(0, 2, "a light leak is over 5 lx, common practice"),
    # ordinary doings
    "doors_a_day": Range(4, 16, _CP),
    "door_min": Range(1, 5, _CP),
    "door_m3_s": Range(0.05, 0.25, f"{_CP}: through an open doorway, by the buoyancy of 2 to 10 degC, from memory"),
    "door_outside_share": Range(0.1, 0.9, f"{_CP}: how far a door leads to the weather and not into the house"),
    "hall_c": Range(14, 20, _CP),
    "round_min": Range(10, 50, f"{_CP}: how long somebody is in the room"),
    "person_w": Range(80, 120, f"{_CP}: warmth of a person at light work"),
    "person_g_h": Range(40, 80, f"{_CP}: breath and sweat"),
    "work_light_lx": Range(20, 180, f"{_CP}: what a ceiling lamp gives on shelves"),
    "pour_wet_g": Range(3, 10, f"{_CP}: evaporates from spills of one watered tray, within two hours"),
    "cleaning_wet_g": Range(150, 600, f"{_CP}: evaporates on a cleaning day, within two hours"),
    "handling_min": Range(3, 15, f"{_CP}: trays stand uncovered while they are moved"),
    "wet_lag_min": Range(40, 60, f"{_CP}: what is spilled is gone within two hours or so"),
    "cleaning_min": Range(60, 150, _CP),
    # the grower
    "oldest_days": Range(0, 25, f"{_CP}: how long before the record the first batch of a place was sown"),
    "trays_share": Range(0.5, 1.0, f"{_CP}: how full a place is sown"),
    "cut_after_usual_days": Range(-1, 2, _CP),
    "after_round_min": Range(5, 45, f"{_CP}: a move on a walk, after the round's hour"),
    "sown_after_round_min": Range(5, 95, _CP),
    "typing_min": Range(0, 4, f"{_CP}: what is entered at once is entered so long after"),
    "cleared_after_min": Range(20, 90, _CP),
    "crops": Range(3, 8, _CP),
    "late_entry_min": Range(10, 180, _CP),
    "empty_days": Range(0, 4, f"{_CP}: a place stands empty between two batches"),
    # sensors
    "jitter_s": Range(0.2, 4, _CP),
    "temp_noise_c": Range(0.02, 0.12, _CP),
    "temp_offset_c": Range(0.05, 0.3, f"{_CP}: standard deviation over sensors"),
    "temp_lag_min": Range(2, 8, _CP),
    "lamp_error_c": Range(0.0, 0.5, f"{_CP}: a sensor that the lamp shines on"),
    "humidity_noise_pct": Range(0.2, 0.8, _CP),
    "humidity_offset_pct": Range(0.5, 2.0, f"{_CP}: standard deviation over sensors"),
    "humidity_lag_min": Range(2, 10, _CP),
    "light_noise_share": Range(0.005, 0.03, _CP),
    "light_scale_spread": Range(0.02, 0.1, _CP),
    "lost_share": Range(0.0, 0.01, f"{_CP}: packets that never come"),
    "twice_share": Range(0.0, 0.004, f"{_CP}: packets that come twice"),
    "late_share": Range(0.0, 0.005, f"{_CP}: packets that come late"),
    "late_min": Range(0.2, 10, f"{_CP}: how late those are"),
    "delay_s": Range(0.1, 2, f"{_CP}: the way of every packet"),
    "battery_swap_min": Range(3, 12, _CP),
    "late_fault_min": Range(60, 360, f"{_CP}: how late the packets of a bad link come"),
    "clock_behind_min": Range(1, 90, f"{_CP}: a clock that lags"),
    # the cold store
    "store_set_c": Range(2.5, 4.5, "[RADISH-STORE] 1 degC best; common practice up to 5"),
    "store_hysteresis_c": Range(1.0, 2.0, _CP),
    "store_limit_over_c": Range(2.5, 4.0, f"{_CP}: upper limit over the set point"),
    "store_limit_under_c": Range(2.5, 4.0, f"{_CP}: lower limit under it"),
    "store_lag_h": Range(8, 24, f"{_CP}: how its goods follow the room with the compressor off"),
    "store_pull_c_h": Range(3, 8, f"{_CP}: how fast the compressor cools them"),
    "store_door_c": Range(0.5, 3.0, f"{_CP}: its air warms at an opening"),
    "store_door_lag_min": Range(3, 7, _CP),
    "store_doors_a_day": Range(1, 6, _CP),
    # the cold room that reaches no band
    "cold_room_under_c": Range(2.0, 6.0, "ours: its thermostat stands so far under what the crops ask"),
}

SHARES: dict[str, tuple[float, str]] = {
    "quiet week": (1 / 3, _OURS),
    "second fault": (0.35, _OURS),
    "cold room": (0.07, "ours: one room in ten to twenty reaches no band all week"),
    "warm crops": (0.4, f"{_CP}: farms that grow basil, shiso or amaranth"),
    "cooler though not needed": (0.15, _OURS),
    "heater though not needed": (0.5, _OURS),
    "humidifier where dry": (0.85, _OURS),
    "humidifier though not needed": (0.12, _OURS),
    "lamps over midnight": (0.35, f"{_CP}: cheap current at night"),
    "racks with lamp hours of their own": (0.3, _OURS),
    "lamp hours changed before the week": (0.15, _OURS),
    "a shelf kept dark": (0.45, f"{_CP}: stacks stand on a shelf without a lamp, or where they will grow"),
    "two batches on a shelf": (0.35, _CP),
    "room sensors only": (0.15, _OURS),
    "a sensor on every shelf": (0.3, _OURS),
    "light sensor with a shelf's": (0.65, _OURS),
    "factor of the lamp known": (0.4, _OURS),
    "a sensor under the cover": (0.4, _OURS),
    "a cold store": (0.55, _OURS),
    "interval written down": (0.3, f"{_CP}: `every` in farm.toml"),
    "entered at once": (0.8, f"{_CP}: of a grower's deeds"),
    "entered late": (0.17, f"{_CP}: the rest of them never"),
    "on the usual day": (0.65, f"{_CP}: the rest anywhere in the window"),
    "past the window": (0.04, _CP),
    "pour entered": (0.9, _CP),
    "cleaning day": (0.5, _CP),
    "battery swap": (0.4, _OURS),
    "clock begins again": (0.2, "ours: of wrong clocks, those that are in 1970 after a reset"),
    "kept by the broker": (0.5, "ours: what a silent time held back comes in one burst after it"),
}
"""How often something is so."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What is drawn from a few values, each as likely as the others."""

    values: tuple[float, ...]
    source: str


CHOICES: dict[str, Choice] = {
    "racks": Choice((1, 1, 2, 2, 3, 4), _CP),
    "shelves": Choice((2, 3, 3, 4, 5), _CP),
    "trays a shelf": Choice((3, 4, 5, 6), _CP),
    "interval_s": Choice((60, 120, 300), _CP),
    "temp_step_c": Choice((0.01, 0.01, 0.0625, 0.1), f"{_CP}: resolution of what a node sends"),
    "humidity_step_pct": Choice((0.01, 0.1, 0.5, 1.0), _CP),
    "light_step_lx": Choice((1, 1, 10), _CP),
    "lamps moved by_min": Choice((-120, -90, -60, 60, 90, 120), _OURS),
    "shelf sensors": Choice((1, 1, 2, 2, 3), "ours: where neither none nor all have one"),
    "lamps on at": Choice((5, 5.5, 6, 6, 6.5, 7, 8), f"{_CP}: by day"),
    "lamps on at, over midnight": Choice((16, 17, 18, 19, 20, 21, 22), f"{_CP}: at night"),
}

ROUNDS: tuple[tuple[str, ...], ...] = (("07:30", "17:00"), ("07:00", "12:30", "18:00"), ("08:00", "20:00"))
"""When the racks are walked. Common practice, no source."""

TENDER = ("basil", "basil-thai", "basil-purple", "basil-lemon", "shiso", "amaranth", "mung")
"""Profiles grown on farms with warm crops only. Ours, by the profiles' own bands."""
COOL = ("lettuce",)
"""Profiles that farms with warm crops leave alone, since no one room suits both. Ours."""


class FaultKind(StrEnum):
    """What goes wrong in a simulated room."""

    HEATER_DEAD = "heater dead"
    HEATER_STUCK = "heater stuck on"
    COOLER_DEAD = "cooler dead"
    COOLER_STUCK = "cooler stuck on"
    FAN_DEAD = "fan dead"
    HUMIDIFIER_DRY = "humidifier run dry"
    HUMIDIFIER_STUCK = "humidifier stuck on"
    LAMP_OFF = "lamp off all day"
    LAMP_ALL_NIGHT = "lamp on all night"
    LAMP_SHORT = "lamp too short"
    LAMP_LONG = "lamp too long"
    LAMP_SHIFTED = "lamp shifted"
    COVER_LIFTED = "cover lifted"
    DOOR_OPEN = "door left open"
    STORE_DEAD = "cold store dead"
    SENSOR_STUCK = "sensor stuck"
    SENSOR_DRIFTS = "sensor drifting"
    SENSOR_SPIKES = "sensor spiking"
    SENSOR_SILENT = "sensor silent"
    CLOCK_OFF = "device clock off"
    TWICE = "burst of duplicates"
    LATE = "packets hours late"
    NODE_SILENT = "node silent"
    ALL_SILENT = "everything silent"


@dataclass(frozen=True, slots=True)
class FaultRange:
    """How long a kind of fault lasts, and how bad it is.

    Attributes:
        hours: From onset to mending. [h]
        severity: What the second column of FAULTS says.
        source: Where both come from.
    """

    hours: tuple[float, float]
    severity: tuple[float, float]
    source: str


FAULTS: dict[FaultKind, FaultRange] = {
    FaultKind.HEATER_DEAD: FaultRange((8, 60), (1, 1), f"{_CP}: mended when somebody notices"),
    FaultKind.HEATER_STUCK: FaultRange((4, 36), (1, 1), _CP),
    FaultKind.COOLER_DEAD: FaultRange((6, 48), (1, 1), _CP),
    FaultKind.COOLER_STUCK: FaultRange((4, 36), (1, 1), _CP),
    FaultKind.FAN_DEAD: FaultRange((8, 72), (1, 1), _CP),
    FaultKind.HUMIDIFIER_DRY: FaultRange((8, 60), (1, 1), _CP),
    FaultKind.HUMIDIFIER_STUCK: FaultRange((4, 36), (1, 1), _CP),
    FaultKind.LAMP_OFF: FaultRange((14, 60), (1, 1), f"{_CP}; from the hour at which it should have come on"),
    FaultKind.LAMP_ALL_NIGHT: FaultRange((7, 60), (1, 1), f"{_CP}; from the hour at which it should have gone off"),
    FaultKind.LAMP_SHORT: FaultRange((16, 72), (3, 9), f"{_CP}; severity: hours lit a day"),
    FaultKind.LAMP_LONG: FaultRange((16, 72), (1.5, 5), f"{_CP}; severity: hours lit too long a day"),
    FaultKind.LAMP_SHIFTED: FaultRange((24, 72), (1, 8), f"{_CP}; severity: hours that its timer stood still"),
    FaultKind.COVER_LIFTED: FaultRange((0.5, 10), (0.02, 1.0), f"{_CP}; severity: share of the shelf's light"),
    FaultKind.DOOR_OPEN: FaultRange((0.5, 14), (0.03, 0.25), f"{_CP}; severity: m3/s through it, ajar to wide"),
    FaultKind.STORE_DEAD: FaultRange((3, 30), (1, 1), _CP),
    FaultKind.SENSOR_STUCK: FaultRange((6, 60), (1, 1), _CP),
    FaultKind.SENSOR_DRIFTS: FaultRange((12, 72), (0.06, 0.5), f"{_CP}; severity: degC/h, or fifths of %RH/h"),
    FaultKind.SENSOR_SPIKES: FaultRange((4, 48), (1, 12), f"{_CP}; severity: spikes an hour"),
    FaultKind.SENSOR_SILENT: FaultRange((1, 48), (1, 1), _CP),
    FaultKind.CLOCK_OFF: FaultRange((6, 72), (1, 720), f"{_CP}; severity: minutes ahead; behind by clock_behind_min"),
    FaultKind.TWICE: FaultRange((1, 12), (2, 10), f"{_CP}; severity: times that a packet comes"),
    FaultKind.LATE: FaultRange((3, 24), (0.1, 0.35), f"{_CP}; severity: share of packets, each 1 to 6 h late"),
    FaultKind.NODE_SILENT: FaultRange((0.75, 24), (1, 1), _CP),
    FaultKind.ALL_SILENT: FaultRange((0.75, 12), (1, 1), f"{_CP}: the broker or the network"),
}

NEEDED_SHARE = 0.05
"""A device is not drawn dead in a week in which it would have run for a smaller share: nobody misses it. Ours."""

OFTEN: dict[FaultKind, float] = {
    FaultKind.HEATER_DEAD: 3.0,
    FaultKind.HEATER_STUCK: 1.5,
    FaultKind.COOLER_DEAD: 4.0,
    FaultKind.COOLER_STUCK: 1.5,
    FaultKind.FAN_DEAD: 2.0,
    FaultKind.HUMIDIFIER_DRY: 4.0,
    FaultKind.HUMIDIFIER_STUCK: 3.0,
    FaultKind.COVER_LIFTED: 5.0,
    FaultKind.DOOR_OPEN: 1.5,
}
"""How often a kind is drawn where it can be, in units of the others: few rooms can have these. Ours."""

SPIKE_SIZE: dict[str, Range] = {
    "temperature": Range(4, 25, f"{_CP}: a bad contact"),
    "humidity": Range(15, 50, f"{_CP}: a bad contact"),
}
DRIFT_PCT_PER_C = 5.0
"""A humidity sensor drifts by so many points where a thermometer would drift by 1 degC. Common practice, no source."""

DOORS_FROM_H, DOORS_FOR_H = 7, 14
"""People go in and out from 07:00 on, for so many hours. Common practice, no source."""

QUIET_LEAD_H = Range(12, 60, "ours: of the judged week before the first fault")
QUIET_GAP_H = Range(24, 60, "ours: between the end of one fault and the next")


def draw(rng: np.random.Generator, name: str) -> float:
    """Return one draw from a named range."""
    return within(rng, RANGES[name])


def within(rng: np.random.Generator, span: Range) -> float:
    """Return one draw from a range."""
    return float(rng.uniform(span.low, span.high))


def happens(rng: np.random.Generator, name: str) -> bool:
    """Tell whether something that is so now and then is so here."""
    return bool(rng.random() < SHARES[name][0])


def pick(rng: np.random.Generator, name: str) -> float:
    """Return one of a few named values."""
    values = CHOICES[name].values
    return float(values[int(rng.integers(len(values)))])
