"""Air and light of a simulated room over weeks, shelf by shelf, and spells that spoil them; pure, seeded, SIMULATED."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds import badparameters as ranges

Array = NDArray[np.float64]
PER_HOUR = 60 // ranges.STEP_MIN
PER_DAY = 24 * PER_HOUR
WET_KPA = 0.35
_EDGE_H = 1.0


def saturated(temp_c: Array) -> Array:
    """Return saturation vapour pressure. Source: [FAO56] eq. 11. [kPa]."""
    return np.asarray(0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)))


def _wander(rng: np.random.Generator, count: int, sigma: float, hours: float) -> Array:
    """Return noise that wanders over some hours."""
    kernel = np.exp(-np.arange(int(4 * hours * PER_HOUR)) / (hours * PER_HOUR))
    raw = np.convolve(rng.normal(0, 1, count + len(kernel)), kernel / np.sqrt((kernel**2).sum()), mode="valid")
    return sigma * raw[:count]


@dataclass(slots=True)
class Room:
    """The true air and light of all shelves.

    Attributes:
        temp_c: Shape (shelves, n). [degC]
        humidity_pct: Shape (shelves, n). [%RH]
        ppfd: Shape (shelves, n). [umol m-2 s-1]
    """

    temp_c: Array
    humidity_pct: Array
    ppfd: Array

    def deficit_kpa(self, shelf: int, begin: int, end: int) -> Array:
        """Return the vapour pressure deficit of a shelf over some steps. [kPa]."""
        return saturated(self.temp_c[shelf, begin:end]) * (1 - self.humidity_pct[shelf, begin:end] / 100)


def ordinary_room(rng: np.random.Generator, days: int) -> Room:
    """Return a room in which nothing is wrong."""
    count, shelves = days * PER_DAY, ranges.SHELVES
    hour = np.arange(count) / PER_HOUR % 24
    level, swing = rng.uniform(*ranges.ROOM_C), rng.uniform(*ranges.SWING_C)
    common = level + swing * np.cos((hour - 15) / 24 * 2 * np.pi) + _wander(rng, count, 0.25, 8)
    temp = common + rng.normal(0, 0.35, (shelves, 1)) + rng.normal(0, 0.05, (shelves, count))
    damp = rng.uniform(*ranges.ROOM_RH) - 3 * np.cos((hour - 15) / 24 * 2 * np.pi) + _wander(rng, count, 3.0, 12)
    humidity = np.clip(damp + rng.normal(0, 1.5, (shelves, 1)), 25, 82) + np.zeros((shelves, count))
    lit_h = int(rng.integers(ranges.LIT_HOURS[0], ranges.LIT_HOURS[1] + 1))
    on = (hour >= 6) & (hour < 6 + lit_h)
    ppfd = rng.uniform(*ranges.PPFD, (shelves, 1)) * on
    return Room(temp_c=temp, humidity_pct=humidity, ppfd=ppfd)


def _reach(rng: np.random.Generator, shelf: int) -> Array:
    """Return how much of a spell each shelf gets: all of it, most of it, or none."""
    reach = np.zeros(ranges.SHELVES)
    if rng.random() < ranges.SHARED_SPELL:
        reach[:] = rng.uniform(0.8, 1.0, ranges.SHELVES)
    reach[shelf] = 1.0
    return reach


def temperature_spell(
    rng: np.random.Generator, room: Room, shelf: int, begin: int, end: int, limit: float, degree_hours: float, sign: int
) -> None:
    """Cool (sign -1) or warm (+1) a shelf, or the room, so that trays there get a dose outside a limit.

    Args:
        rng: Source of chance.
        room: It is changed.
        shelf: Where the dose is to come out.
        begin: First step of the trays' phase.
        end: Step after its last.
        limit: End of the band. [degC]
        degree_hours: The dose. [degC h]
        sign: -1 cold, +1 heat.
    """
    hours = min(float(rng.uniform(8, 40)), (end - begin) / PER_HOUR)
    count = max(int(hours * PER_HOUR), 6)
    first = begin + int(rng.integers(0, max(end - begin - count, 1)))
    edge = np.minimum(np.arange(count), np.arange(count)[::-1]) / (_EDGE_H * PER_HOUR)
    shape = np.minimum(edge, 1.0)
    here = room.temp_c[shelf, first : first + count]
    low, high = 0.0, 40.0
    for _ in range(24):
        depth = (low + high) / 2
        dose = float(np.maximum(sign * (here + sign * depth * shape[: len(here)] - limit), 0).sum()) / PER_HOUR
        low, high = (depth, high) if dose < degree_hours else (low, depth)
    change = sign * high * shape[: len(here)]
    room.temp_c[:, first : first + count] += _reach(rng, shelf)[:, None] * change


def damp_spell(rng: np.random.Generator, room: Room, shelf: int, begin: int, end: int, hours: float) -> None:
    """Make the air of a shelf, or the room, nearly saturated for some hours on end."""
    count = min(int(hours * PER_HOUR), end - begin)
    if count < 2:
        return
    first = begin + int(rng.integers(0, max(end - begin - count, 1)))
    kpa = rng.uniform(0.12, 0.28)
    part = slice(first, first + count)
    wet = 100 * (1 - kpa / saturated(room.temp_c[:, part]))
    for place, share in enumerate(_reach(rng, shelf)):
        if share > 0:
            room.humidity_pct[place, part] = np.maximum(room.humidity_pct[place, part], wet[place])


def weak_light(room: Room, shelf: int, begin: int, end: int, mol_m2: float) -> None:
    """Weaken the lamp of a shelf so that the mean daily integral of some days comes out at a figure. [mol m-2 d-1]."""
    begin, end = _whole_days(begin, end)
    now = mean_daily_light(room.ppfd[shelf], begin, end)
    if now > mol_m2:
        room.ppfd[shelf, begin:end] *= mol_m2 / now


def _whole_days(begin: int, end: int) -> tuple[int, int]:
    """Return the whole days inside a span of steps; the span itself where it holds none."""
    first, last = -(-begin // PER_DAY) * PER_DAY, end // PER_DAY * PER_DAY
    return (first, last) if last > first else (begin, end)


def mean_daily_light(ppfd: Array, begin: int, end: int) -> float:
    """Return the mean daily light integral over the whole days of a span. [mol m-2 d-1]."""
    begin, end = _whole_days(begin, end)
    return float(ppfd[begin:end].mean()) * 86400 / 1e6 if end > begin else 0.0


def longest_wet(deficit_kpa: Array) -> float:
    """Return the longest time on end under the mould watch's deficit. [h]."""
    wet = np.concatenate(([0], (deficit_kpa < WET_KPA).astype(int), [0]))
    turns = np.flatnonzero(np.diff(wet))
    return float((turns[1::2] - turns[::2]).max(initial=0)) / PER_HOUR
