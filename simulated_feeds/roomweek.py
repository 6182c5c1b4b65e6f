"""One simulated week of a room: its farm and ledger, what truly held, what was wrong, what was said; seeded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from monitor.farm import Farm
from monitor.ledger import Entry
from monitor.profiles import Profile
from simulated_feeds.roombatches import BatchLife, draw_batches, entries_of
from simulated_feeds.roomclock import Minutes, minutes_of
from simulated_feeds.roomdoings import draw_doings
from simulated_feeds.roomfaults import Fault, draw_faults
from simulated_feeds.roomplan import RoomPlan, draw_plan, farm_of
from simulated_feeds.roomsaid import Said, said_of
from simulated_feeds.roomtruth import RoomTruth, blackouts_of, stands_of, truth_of
from simulated_feeds.weather import Climate, draw_climate, draw_outside
from simulated_feeds.weekparameters import JUDGED_DAYS, NEEDED_SHARE, WARM_UP_DAYS, FaultKind, draw

_FIRST_DAY = date(2026, 1, 5)
_SAID_ONLY = (
    FaultKind.SENSOR_STUCK,
    FaultKind.SENSOR_DRIFTS,
    FaultKind.SENSOR_SPIKES,
    FaultKind.SENSOR_SILENT,
    FaultKind.CLOCK_OFF,
    FaultKind.TWICE,
    FaultKind.LATE,
    FaultKind.NODE_SILENT,
    FaultKind.ALL_SILENT,
)
"""Faults that change what is said and nothing that is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomWeek:
    """One simulated week.

    Attributes:
        seed: What it was drawn from.
        climate: The weather's kind and season.
        plan: The room.
        farm: Its farm.toml, as the rules get it.
        entries: Its ledger.
        minutes: Its minutes, the warm-up among them.
        judged_from: Minute at which the judged week begins.
        lives: What truly becomes of the batches.
        faults: What was wrong.
        truth: What truly held.
        calm: What would have held without faults.
        said: What the sensors said.
    """

    seed: int
    climate: Climate
    plan: RoomPlan
    farm: Farm
    entries: tuple[Entry, ...]
    minutes: Minutes
    judged_from: int
    lives: tuple[BatchLife, ...]
    faults: tuple[Fault, ...]
    truth: RoomTruth
    calm: RoomTruth
    said: Said

    @property
    def start(self) -> datetime:
        """Return the first instant of the warm-up."""
        return self.minutes.start


def _idle(calm: RoomTruth, judged_from: int) -> frozenset[FaultKind]:
    """Return which devices were hardly needed in a week, by what they would be if they died."""
    runs = {
        FaultKind.HEATER_DEAD: calm.air.heater_w,
        FaultKind.COOLER_DEAD: calm.air.cooler_w,
        FaultKind.HUMIDIFIER_DRY: calm.air.mist_g_h,
    }
    return frozenset(kind for kind, line in runs.items() if (line[judged_from:] > 0).mean() < NEEDED_SHARE)


def room_week(seed: int, profiles: Mapping[str, Profile], *, faults: tuple[Fault, ...] | None = None) -> RoomWeek:
    """Return the simulated week of a seed.

    Args:
        seed: Draws all of it; another seed is another week.
        profiles: Crop profiles by id.
        faults: Instead of those that the seed draws.
    """
    streams = [np.random.default_rng(each) for each in np.random.SeedSequence(seed).spawn(7)]
    of_time, of_plan, of_weather, of_batches, of_doings, of_faults, of_sensors = streams
    first_day = _FIRST_DAY + timedelta(days=int(of_time.integers(364)))
    climate = draw_climate(of_time, first_day)
    minutes = minutes_of(ZoneInfo(climate.zone), first_day, WARM_UP_DAYS + JUDGED_DAYS)
    judged_from = int(np.flatnonzero(minutes.day == WARM_UP_DAYS)[0])
    plan = draw_plan(of_plan, profiles, climate)
    outside = draw_outside(of_weather, climate, minutes.wall_min)
    lives = draw_batches(of_batches, plan, profiles, minutes)
    entries = entries_of(of_batches, lives, plan, profiles, minutes)
    doings = draw_doings(of_doings, plan, lives, minutes)
    stands = stands_of(plan, lives, minutes, draw(of_doings, "handling_min"))
    calm = truth_of(plan, minutes, outside, doings, stands, ())
    blackouts = stands.covered & blackouts_of(plan, lives, minutes)
    drawn = draw_faults(of_faults, plan, minutes, blackouts, judged_from, _idle(calm, judged_from))
    struck = drawn if faults is None else faults
    in_truth = tuple(fault for fault in struck if fault.kind not in _SAID_ONLY)
    truth = truth_of(plan, minutes, outside, doings, stands, in_truth) if in_truth else calm
    return RoomWeek(
        seed=seed,
        climate=climate,
        plan=plan,
        farm=farm_of(plan),
        entries=entries,
        minutes=minutes,
        judged_from=judged_from,
        lives=lives,
        faults=struck,
        truth=truth,
        calm=calm,
        said=said_of(of_sensors, plan, minutes, truth, struck),
    )
