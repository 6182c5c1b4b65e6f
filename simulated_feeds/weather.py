"""The simulated weather round a room: a season, days that swing, fronts that pass; pure, seeded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.room import saturation_kpa
from simulated_feeds.weekparameters import CLIMATES, draw, within

Array = NDArray[np.float64]
_WARMEST_DAY = 200  # of the year, in the north; common practice, no source
_WARMEST_HOUR = 15


def vapour_g_m3(temp_c: float) -> float:
    """Return how much vapour saturated air holds. Source: [FAO56] eq. 11 and the gas law. [g/m3]."""
    return saturation_kpa(temp_c) * 1e6 / (461.5 * (temp_c + 273.15))


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """What weather a place has at a season.

    Attributes:
        kind: Name of its range.
        zone: Time zone.
        mean_c: Mean of the year, which the ground has. [degC]
        season_c: Mean of these days. [degC]
        swing_c: Half of a clear day's swing. [degC]
        front_c: How far fronts carry a day, standard deviation. [degC]
        dew_under_c: How far the dew point lies under the day's mean. [degC]
    """

    kind: str
    zone: str
    mean_c: float
    season_c: float
    swing_c: float
    front_c: float
    dew_under_c: float


@dataclass(frozen=True, slots=True)
class Outside:
    """The weather, each minute: temperature [degC] and vapour [g/m3]."""

    temp_c: Array
    vapour_g_m3: Array


def draw_climate(rng: np.random.Generator, day: date) -> Climate:
    """Return a climate, and its season on a day."""
    kind = str(rng.choice(list(CLIMATES)))
    ranges = CLIMATES[kind]
    mean = within(rng, ranges.mean_c)
    season = within(rng, ranges.season_c) * math.cos((day.timetuple().tm_yday - _WARMEST_DAY) / 365 * 2 * math.pi)
    return Climate(
        kind=kind,
        zone=ranges.zone,
        mean_c=mean,
        season_c=mean + season,
        swing_c=within(rng, ranges.swing_c),
        front_c=within(rng, ranges.front_c),
        dew_under_c=within(rng, ranges.dew_under_c),
    )


def draw_outside(rng: np.random.Generator, climate: Climate, wall_min: NDArray[np.int64]) -> Outside:
    """Return the weather of some days.

    Args:
        rng: Draws it.
        climate: Where and when.
        wall_min: Wall-clock minute of the day, each minute. [min]
    """
    hours = len(wall_min) // 60 + 2
    front = climate.front_c * _wander(rng, hours, draw(rng, "front_memory_h"))
    dew = climate.season_c - climate.dew_under_c + 0.7 * front + 0.4 * climate.front_c * _wander(rng, hours, 24)
    clear = np.repeat([draw(rng, "clear_share") for _ in range(hours // 24 + 2)], 24)[:hours]
    minute = np.arange(len(wall_min)) / 60
    by_hour = np.arange(hours)
    swing = np.interp(minute, by_hour, clear) * climate.swing_c
    of_day = np.cos((wall_min / 60 - _WARMEST_HOUR) / 24 * 2 * np.pi)
    temp = climate.season_c + np.interp(minute, by_hour, front) + swing * of_day
    dew_c = np.minimum(np.interp(minute, by_hour, dew), temp - 0.3)
    kpa = 0.6108 * np.exp(17.27 * dew_c / (dew_c + 237.3))
    return Outside(temp_c=temp, vapour_g_m3=kpa * 1e6 / (461.5 * (temp + 273.15)))


def _wander(rng: np.random.Generator, hours: int, memory_h: float) -> Array:
    """Return hourly noise of standard deviation 1 that remembers for some hours."""
    keep = math.exp(-1 / memory_h)
    noise = rng.normal(0, math.sqrt(1 - keep * keep), hours)
    found = np.empty(hours)
    last = float(rng.normal())
    for hour in range(hours):
        last = keep * last + noise[hour]
        found[hour] = last
    return found
