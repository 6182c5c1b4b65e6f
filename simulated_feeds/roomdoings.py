"""What people ordinarily do in a simulated room: doors, rounds, pours, a cleaning day; no fault; pure, seeded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.roombatches import BatchLife
from simulated_feeds.roomclock import Minutes
from simulated_feeds.roomplan import RoomPlan
from simulated_feeds.weekparameters import DOORS_FOR_H, DOORS_FROM_H, draw, happens

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Doings:
    """What is done, each minute; every array has shape (minutes,).

    Attributes:
        door_m3_s: Air through the door. [m3/s]
        people_w: Warmth of people. [W]
        wet_g_h: Vapour of people and of what was spilled. [g/h]
        work_lx: Light of the ceiling lamp on shelves. [lx]
        store_door: An opening of the cold store begins.
    """

    door_m3_s: Array
    people_w: Array
    wet_g_h: Array
    work_lx: Array
    store_door: NDArray[np.bool_]


def draw_doings(rng: np.random.Generator, plan: RoomPlan, lives: tuple[BatchLife, ...], minutes: Minutes) -> Doings:
    """Return the doings of some days."""
    count = len(minutes)
    door, people, work, spilled = (np.zeros(count) for _ in range(4))
    store = np.zeros(count, dtype=bool)
    flow, lux = draw(rng, "door_m3_s"), draw(rng, "work_light_lx")

    def put(line: Array, begin: float, length: float, value: float) -> None:
        line[max(int(begin), 0) : max(int(begin + length), 0)] = value

    days = int(minutes.day[-1]) + 1
    doors_a_day = draw(rng, "doors_a_day")
    cleaned_on = int(rng.integers(days)) if happens(rng, "cleaning day") else -1
    for day in range(days):
        for wall in plan.rounds:
            begin = minutes.wall(day, time.fromisoformat(wall)) + float(rng.uniform(-5, 15))
            length = draw(rng, "round_min")
            put(people, begin, length, draw(rng, "person_w"))
            put(work, begin, length, lux)
            put(door, begin, 1, flow)
            put(door, begin + length, 1, flow)
        extra = 6 if day == cleaned_on else 0
        for _ in range(int(rng.poisson(doors_a_day)) + extra):
            begin = minutes.wall(day, time(DOORS_FROM_H)) + float(rng.uniform(0, DOORS_FOR_H * 60))
            put(door, begin, round(draw(rng, "door_min")), flow)
        if day == cleaned_on:
            begin = minutes.wall(day, time(10)) + float(rng.uniform(0, 300))
            length = draw(rng, "cleaning_min")
            put(people, begin, length, draw(rng, "person_w"))
            put(work, begin, length, lux)
            put(spilled, begin, 1, draw(rng, "cleaning_wet_g"))
        if plan.store is not None:
            for _ in range(int(rng.poisson(plan.store.doors_a_day))):
                at = int(minutes.wall(day, time(DOORS_FROM_H)) + float(rng.uniform(0, DOORS_FOR_H * 60)))
                store[min(max(at, 0), count - 1)] = True
    wet = draw(rng, "pour_wet_g")
    for life in lives:
        for pour in life.pours:
            if 0 <= pour < count:
                spilled[int(pour)] += wet * life.trays
    breath = np.where(people > 0, draw(rng, "person_g_h"), 0.0)
    return Doings(
        door_m3_s=door,
        people_w=people,
        wet_g_h=_drying(spilled, draw(rng, "wet_lag_min")) + breath,
        work_lx=work,
        store_door=store,
    )


def _drying(spilled_g: Array, lag_min: float) -> Array:
    """Return the vapour of what was spilled, which dries like a first-order lag. [g/h]."""
    keep = float(np.exp(-1 / lag_min))
    found = np.zeros(len(spilled_g))
    for minute in np.flatnonzero(spilled_g):
        span = min(len(spilled_g) - int(minute), 300)
        found[minute : minute + span] += spilled_g[minute] * (1 - keep) * 60 * keep ** np.arange(span)
    return found
