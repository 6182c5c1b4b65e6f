"""The ranges from which simulated tray lives are drawn, each with its source; nothing here is measured.

They were written down before the estimator that is judged on them, and are not tuned to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

_CP = "common practice, no source"


class Range(NamedTuple):
    """Both ends of what is drawn evenly, and where they come from."""

    low: float
    high: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CropRange:
    """One crop's days and yield, drawn for each life.

    Attributes:
        dark_days: Days in the pile or under a cover. [d]
        blackout_days: Days uncovered and dark. [d]
        cut_day: Day since sowing on which it is cut. [d]
        yield_g: Cut weight of a nominal tray. [g]
        seed_g: Sowing weight. [g]
        pile_kg: Weight on the pile; both ends 0: a cover only. [kg]
    """

    dark_days: Range
    blackout_days: Range
    cut_day: Range
    yield_g: Range
    seed_g: Range
    pile_kg: Range


def _crop(
    dark: tuple[float, float],
    blackout: tuple[float, float],
    cut: tuple[float, float],
    grams: tuple[float, float],
    seed: tuple[float, float],
    pile: tuple[float, float],
) -> CropRange:
    """Return a crop's ranges, all of them common practice."""
    return CropRange(
        dark_days=Range(*dark, _CP),
        blackout_days=Range(*blackout, _CP),
        cut_day=Range(*cut, _CP),
        yield_g=Range(*grams, _CP),
        seed_g=Range(*seed, _CP),
        pile_kg=Range(*pile, _CP),
    )


CROPS: dict[str, CropRange] = {
    "radish": _crop((2, 3), (0, 2), (7, 10), (250, 450), (30, 40), (2, 4)),
    "broccoli": _crop((2, 3), (1, 2), (8, 12), (180, 320), (15, 22), (2, 4)),
    "kale": _crop((2, 3), (1, 2), (8, 12), (170, 300), (15, 22), (2, 4)),
    "pea": _crop((2, 3), (1, 3), (9, 14), (350, 600), (180, 300), (5, 8)),
    "sunflower": _crop((2, 3), (1, 2), (8, 12), (350, 550), (90, 150), (5, 8)),
    "coriander": _crop((5, 7), (1, 3), (16, 22), (150, 300), (25, 45), (2, 4)),
    "rocket": _crop((2, 3), (1, 2), (8, 12), (120, 220), (8, 12), (0, 0)),
    "basil": _crop((4, 6), (1, 3), (13, 18), (100, 200), (6, 12), (2, 4)),
}

RANGES: dict[str, Range] = {
    # the tray
    "holds_g": Range(800, 1500, "[COIR-EVANS] 1.89 l of coir holds 1,380 to 1,510 g; thinner fills less"),
    "limp_share": Range(0.28, 0.42, f"{_CP}: plants limp with about a third of the held water left"),
    "floor_share": Range(0.5, 0.8, f"{_CP}: share of the limping water that roots can never draw"),
    "dry_medium_g": Range(75, 150, "[COIR-EVANS] 0.04 to 0.08 g/cm3 of 1.89 l"),
    "tare_g": Range(250, 600, _CP),
    "wick_g_h": Range(300, 900, _CP),
    # what it loses
    "lamp_g_h": Range(3, 10, "66 to 199 g in 16 h from 100 to 300 umol by energy alone, FAO latent heat"),
    "air_g_h_kpa": Range(3, 8, f"{_CP}: 130 to 400 g a day in all at about 1 kPa"),
    "night_share": Range(0.2, 0.6, _CP),
    "soil_g_h_kpa": Range(1.5, 4, f"{_CP}: 30 to 100 g a day from an open tray without leaves"),
    "covered_g_h": Range(0.2, 1.6, f"{_CP}: 5 to 40 g a day under a cover"),
    "stress_from": Range(0.3, 0.5, "[FAO56] ch. 8, depletion fraction 0.5 to 0.7 for small crops"),
    # growth: Gompertz over the share of days to the cut
    "gompertz_b": Range(7, 9, _CP),
    "gompertz_c": Range(3.8, 4.8, _CP),
    "cover_k": Range(2, 4, _CP),
    "sister_spread": Range(0.02, 0.08, f"{_CP}: how trays of one sowing differ, standard deviation"),
    # the room
    "temp_c": Range(17, 25, _CP),
    "lamp_warmth_c": Range(1, 4, _CP),
    "humidity_pct": Range(45, 70, _CP),
    "humidity_swing_pct": Range(2, 8, _CP),
    "lamp_hours": Range(12, 18, "[MSU-PHOTOPERIOD] 16 h on"),
    # the load cell
    "noise_g": Range(1, 10, "the figure that this program promises to work with"),
    "drift_g_day": Range(0, 4, f"{_CP}: random walk"),
    "g_per_degree": Range(-1.5, 1.5, _CP),
    "creep_share": Range(0, 0.0008, f"{_CP}: of a change of load, over half an hour"),
    "lost_share": Range(0, 0.06, f"{_CP}: readings that never arrive"),
    # the grower
    "amount_error": Range(0.05, 0.2, f"{_CP}: by eye, standard deviation"),
    "feel_error": Range(0.06, 0.12, f"{_CP}: of the share of water left, by hand, standard deviation"),
    "heavy_from": Range(0.62, 0.82, f"{_CP}: share of water left from which a hand says heavy; people differ"),
    "light_under": Range(0.36, 0.54, f"{_CP}: share of water left under which a hand says light"),
    "batch_yield_spread": Range(0.04, 0.12, f"{_CP}: how cut weights of one farm and crop differ, standard deviation"),
    "batch_days_spread": Range(0.02, 0.06, f"{_CP}: how days to the cut of one farm and crop differ, likewise"),
    "mark_share": Range(0.1, 0.5, f"{_CP}: share of waterings to the brim that are weighed and marked full"),
    "enter_share": Range(0.6, 1.0, f"{_CP}: share of pours that are written down"),
    "setup_error_g": Range(0, 40, f"{_CP}: the set-up weighs a tray that has not drained quite"),
    "limp_error_share": Range(
        0.0, 0.05, f"{_CP}: error of the weight at which an earlier tray limped, of what it holds"
    ),
}

HABITS = ("early", "right", "late", "too much", "every few days")
"""When growers pour: at three quarters left, at half, when plants droop, at half but far too much, by the calendar."""

WEATHERS = ("repeats", "changes", "dry spell", "heater fails")
"""What the room's air does: each day like the last, wanders, is dry for two days, cools for a night."""
