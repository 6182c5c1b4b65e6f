"""When what is wrong in a SIMULATED room begins to harm, and what of the truth bears an alarm out.

A batch is harmed once the degree-hours (kPa-hours) of the true conditions beyond the band of its phase pass its
profile's dose, since the excursion began; an excursion ends after an hour inside. What the same week does without its
faults is subtracted: weather that harms is no fault.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.fold import fold_as_of
from monitor.ledger import Entry
from monitor.phases import phase_now
from monitor.profiles import Band, PhaseKind, Profile
from monitor.reach import is_covered
from monitor.readings import Quantity
from simulated_feeds.roomfaults import Fault
from simulated_feeds.roomsaid import true_at
from simulated_feeds.roomtruth import RoomTruth, saturation_of
from simulated_feeds.roomweek import RoomWeek
from simulated_feeds.weekparameters import FaultKind

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
SIDES = ("cold", "heat", "dry", "damp")
INSIDE_MIN = 60
"""An excursion ends after so long inside the band. [min]"""
LAMP_MIN, DARK_MIN, STORE_MIN, DEW_MIN, SPIKES_MIN = 60, 30, 15, 60, 60
STUCK = {Quantity.TEMPERATURE: 1.5, Quantity.HUMIDITY: 8.0}
STUCK_MIN = 60
DRIFTED_C = 2.0
MOULD_KPA = 0.35
CLIMATE = (
    FaultKind.HEATER_DEAD,
    FaultKind.HEATER_STUCK,
    FaultKind.COOLER_DEAD,
    FaultKind.COOLER_STUCK,
    FaultKind.FAN_DEAD,
    FaultKind.HUMIDIFIER_DRY,
    FaultKind.HUMIDIFIER_STUCK,
    FaultKind.DOOR_OPEN,
)
LAMPS = (
    FaultKind.LAMP_OFF,
    FaultKind.LAMP_ALL_NIGHT,
    FaultKind.LAMP_SHORT,
    FaultKind.LAMP_LONG,
    FaultKind.LAMP_SHIFTED,
)
SILENT = (FaultKind.SENSOR_SILENT, FaultKind.NODE_SILENT, FaultKind.ALL_SILENT)
_IN_LIGHT = (PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)
_LEAST_SHARE, _LEAST_MIN = 0.8, 1440  # of a band that is out of reach


@dataclass(frozen=True, slots=True)
class Stay:
    """Trays of one batch at one shelf in one phase, as the ledger has them, from a minute to another."""

    batch: str
    profile: Profile
    shelf: int
    kind: PhaseKind
    covered: bool
    begins: int
    ends: int

    def bands(self, quantity: Quantity) -> tuple[Band, ...]:
        """Return what its phase asks; what is overgrown is judged like what may be cut."""
        plan = self.profile.plan(PhaseKind.HARVEST if self.kind is PhaseKind.OVERGROWN else self.kind)
        return () if plan is None else plan.bands.get(quantity, ())


def stays_of(week: RoomWeek, profiles: Mapping[str, Profile]) -> list[Stay]:
    """Return what stands where in which phase, cut at every entry of a batch and every local midnight."""
    minutes, count = week.minutes, len(week.minutes)
    shelf_of = {shelf.id: place for place, shelf in enumerate(week.plan.shelves)}
    midnights = {int(minutes.wall(day, time(0))) for day in range(count // 1440 + 2)}
    of_batch: dict[str, list[Entry]] = defaultdict(list)
    for entry in week.entries:
        of_batch[str(entry.batch)].append(entry)
    found: list[Stay] = []
    for entries in of_batch.values():
        deeds = {int(np.ceil(minutes.minute_of(entry.at))) for entry in entries}
        cuts = sorted({0, count} | {each for each in deeds | midnights if 0 < each < count})
        for begins, ends in pairwise(cuts):
            now = minutes.at(begins)
            for batch in fold_as_of(entries, now).values():
                profile = profiles[batch.crop]
                for part in batch.standing if batch.sown_at is not None else ():
                    span = phase_now(batch, part, profile, now=now, zone=minutes.zone)
                    place = shelf_of[str(part.spot)]
                    found.append(Stay(batch.id, profile, place, span.kind, is_covered(span), begins, ends))
    return found


def dose_of(beyond: Array) -> Array:
    """Return what has been collected beyond a band in the excursion that is on, each minute.

    Args:
        beyond: How far outside, 0 inside, each minute.

    Returns:
        The sum in hours of what ``beyond`` has; 0 from an hour inside on.
    """
    minute = np.arange(len(beyond))
    total = np.cumsum(beyond) / 60
    out = beyond > 0
    last = np.maximum.accumulate(np.where(out, minute, -(10**9)))
    before = np.concatenate([[-(10**9)], last[:-1]])
    begins = out & (minute - before > INSIDE_MIN)
    base = np.maximum.accumulate(np.where(begins, total - beyond / 60, 0.0))
    return np.where(minute - last < INSIDE_MIN, total - base, 0.0)


def lasting(holds: Bools, minutes: int) -> Bools:
    """Return where something has held without a break for so long."""
    minute = np.arange(len(holds))
    last_not = np.maximum.accumulate(np.where(holds, -1, minute))
    return np.asarray(holds & (minute - last_not >= minutes))


def _beyond(stays: Sequence[Stay], truth: RoomTruth, count: int) -> dict[tuple[str, str], tuple[Array, Profile]]:
    """Return how far outside its band each batch stands, by batch and side. [degC; kPa]."""
    found: dict[tuple[str, str], tuple[Array, Profile]] = {}

    def put(stay: Stay, side: str, values: Array) -> None:
        line, _ = found.setdefault((stay.batch, side), (np.zeros(count), stay.profile))
        span = slice(stay.begins, stay.ends)
        line[span] = np.maximum(line[span], values)

    for stay in stays:
        place = truth.covers if stay.covered else truth.shelves
        temp = place.temp_c[stay.shelf, stay.begins : stay.ends]
        for band in stay.bands(Quantity.TEMPERATURE):
            put(stay, "cold", np.clip((band.low if band.low is not None else -99) - temp, 0, None))
            put(stay, "heat", np.clip(temp - (band.high if band.high is not None else 99), 0, None))
        if stay.covered:
            continue
        damp, full = place.humidity_pct[stay.shelf, stay.begins : stay.ends], saturation_of(temp)
        for band in stay.bands(Quantity.HUMIDITY):
            put(stay, "dry", np.clip((band.low if band.low is not None else 0) - damp, 0, None) / 100 * full)
            put(stay, "damp", np.clip(damp - (band.high if band.high is not None else 100), 0, None) / 100 * full)
    return found


def _limit(profile: Profile, side: str) -> float:
    """Return the dose at which a crop takes harm."""
    return float(getattr(profile.harm, side).value)


@dataclass(slots=True)
class Harm:
    """What truly harms in one week, each minute.

    Attributes:
        week, stays: What it is of.
        share: By side: how much of the dose at which it takes harm the worst batch has had.
        new: By side: some batch is harmed that would not be without the faults.
        new_on: The same by side and shelf.
        out_of_reach: Sides of which some batch's band is not reached all week, without any fault.
        mould, dew: Over some open tray the air has been mould weather for five hours; leaves wet for 20 minutes.
        new_dew: By shelf: leaves wet for an hour that would not be without the faults.
        store_out: The cold store has been outside its limits for five minutes.
        bright: Some tray in its blackout has had light for ten minutes.
    """

    week: RoomWeek
    stays: list[Stay]
    share: dict[str, Array] = field(default_factory=dict)
    new: dict[str, Bools] = field(default_factory=dict)
    new_on: dict[tuple[str, int], Bools] = field(default_factory=dict)
    out_of_reach: set[str] = field(default_factory=set)
    mould: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    dew: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    new_dew: dict[int, Bools] = field(default_factory=dict)
    store_out: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    bright: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def harmful_at(self, fault: Fault) -> float | None:
        """Return the minute from which a fault does harm while it lasts, or None."""
        holds = self._harms(fault)
        if isinstance(holds, float):
            return holds if holds < fault.ends else None
        found = np.flatnonzero(holds[fault.begins : fault.ends])
        return float(fault.begins + int(found[0])) if len(found) else None

    def _harms(self, fault: Fault) -> Bools | float:
        """Return when a fault does harm: each minute, or the one instant."""
        week, count = self.week, len(self.week.minutes)
        if fault.kind is FaultKind.FAN_DEAD:
            return self._on_rack(fault.index)
        if fault.kind in CLIMATE:
            return np.asarray(np.any([self.new[side] for side in SIDES], axis=0))
        if fault.kind in LAMPS:
            return lamp_harm(week, self.stays, fault)
        if fault.kind is FaultKind.COVER_LIFTED:
            bright = _bright(week, self.stays, fault.index) & fault.holds(count)
            return np.asarray(np.cumsum(bright) >= DARK_MIN)
        if fault.kind is FaultKind.STORE_DEAD:
            return lasting(_store_out(week, week.truth), STORE_MIN) & ~_store_out(week, week.calm)
        if fault.kind in SILENT:
            interval = max(node.interval_s for node in week.plan.nodes) / 60
            return float(fault.begins + max(30.0, 3 * interval))
        if fault.kind is FaultKind.SENSOR_STUCK:
            return _stuck(week, fault)
        if fault.kind is FaultKind.SENSOR_DRIFTS:
            return float(fault.begins + 60 * DRIFTED_C / fault.severity)
        if fault.kind is FaultKind.SENSOR_SPIKES:
            return float(fault.begins + SPIKES_MIN)
        return np.zeros(count, dtype=bool)

    def _on_rack(self, rack: int) -> Bools:
        """Return when shelves of a rack whose humidity is measured are harmed."""
        plan, found = self.week.plan, np.zeros(len(self.week.minutes), dtype=bool)
        for node in plan.nodes:
            if node.shelf < 0 or node.sensors[0].under_cover or plan.shelves[node.shelf].rack != rack:
                continue
            for side in ("heat", "damp"):
                found |= self.new_on.get((side, node.shelf), np.zeros_like(found))
            found |= self.new_dew.get(node.shelf, np.zeros_like(found))
        return found


def harm_of(week: RoomWeek, profiles: Mapping[str, Profile]) -> Harm:
    """Return what truly harms in a week."""
    count = len(week.minutes)
    stays = stays_of(week, profiles)
    harm = Harm(week, stays)
    truly, calmly = _beyond(stays, week.truth, count), _beyond(stays, week.calm, count)
    shelf_of = _shelf_of(stays, count)
    for side in SIDES:
        harm.share[side], harm.new[side] = np.zeros(count), np.zeros(count, dtype=bool)
    for (batch, side), (beyond, profile) in truly.items():
        limit = _limit(profile, side)
        dose = dose_of(beyond) / limit
        calm_beyond = calmly[batch, side][0]
        calm = dose if week.truth is week.calm else dose_of(calm_beyond) / limit
        harm.share[side] = np.maximum(harm.share[side], dose)
        new = (dose >= 1) & (calm < 1)
        harm.new[side] |= new
        if new.any():
            for shelf in set(shelf_of[batch][new].tolist()):
                line = harm.new_on.setdefault((side, int(shelf)), np.zeros(count, dtype=bool))
                line |= new & (shelf_of[batch] == shelf)
        if _out_of_reach(stays, batch, side, calm_beyond, week.judged_from):
            harm.out_of_reach.add(side)
    _air(harm)
    if _is_dim(week, stays):
        harm.out_of_reach.add("dim")
    harm.store_out = lasting(_store_out(week, week.truth), STORE_MIN // 3)
    bright = np.zeros(count, dtype=bool)
    for shelf in range(len(week.plan.shelves)):
        bright |= lasting(_bright(week, stays, shelf), DARK_MIN // 3)
    harm.bright = bright
    return harm


def _shelf_of(stays: Sequence[Stay], count: int) -> dict[str, NDArray[np.int64]]:
    """Return on which shelf a batch stands, each minute; -1: on none."""
    found: dict[str, NDArray[np.int64]] = defaultdict(lambda: np.full(count, -1))
    for stay in stays:
        found[stay.batch][stay.begins : stay.ends] = stay.shelf
    return found


def _out_of_reach(stays: Sequence[Stay], batch: str, side: str, calm_beyond: Array, judged_from: int) -> bool:
    """Tell whether a batch's band is not reached all week."""
    asked = np.zeros(len(calm_beyond), dtype=bool)
    quantity = Quantity.TEMPERATURE if side in ("cold", "heat") else Quantity.HUMIDITY
    for stay in stays:
        if stay.batch != batch or (quantity is Quantity.HUMIDITY and stay.covered):
            continue
        ends = [band.low if side in ("cold", "dry") else band.high for band in stay.bands(quantity)]
        asked[stay.begins : stay.ends] |= any(end is not None for end in ends)
    asked[:judged_from] = False
    return bool(asked.sum() >= _LEAST_MIN and (calm_beyond[asked] > 0).mean() >= _LEAST_SHARE)


def _air(harm: Harm) -> None:
    """Note mould weather and wet leaves over open trays."""
    week, count = harm.week, len(harm.week.minutes)
    open_on = np.zeros((len(week.plan.shelves), count), dtype=bool)
    for stay in harm.stays:
        open_on[stay.shelf, stay.begins : stay.ends] |= not stay.covered and stay.kind is not PhaseKind.GERMINATION
    harm.mould, harm.dew = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    for shelf in np.flatnonzero(open_on.any(axis=1)).tolist():
        place = week.truth.shelves
        full = saturation_of(place.temp_c[shelf])
        mould = (full * (1 - place.humidity_pct[shelf] / 100) < MOULD_KPA) & open_on[shelf]
        harm.mould |= lasting(mould, 300)
        wet = _wet(week, week.truth, shelf) & open_on[shelf]
        harm.dew |= lasting(wet, DEW_MIN // 3)
        if week.truth is not week.calm:
            harm.new_dew[shelf] = lasting(wet, DEW_MIN) & ~_wet(week, week.calm, shelf)


def _wet(week: RoomWeek, truth: RoomTruth, shelf: int) -> Bools:
    """Return when leaves of a shelf lie at or under the dew point."""
    place = truth.shelves
    dark = ~truth.lit[week.plan.shelves[shelf].rack]
    leaf = place.temp_c[shelf] - week.plan.leaf_under_c * dark
    return np.asarray(saturation_of(leaf) <= saturation_of(place.temp_c[shelf]) * place.humidity_pct[shelf] / 100)


def _is_dim(week: RoomWeek, stays: Sequence[Stay]) -> bool:
    """Tell whether some batch gets less light every day, by the lamp's factor, than its profile asks."""
    factor = week.plan.lux_per_umol
    if factor is None:
        return False
    days = week.minutes.day
    for node in week.plan.nodes:
        if node.shelf < 0 or not any(s.quantity is Quantity.LIGHT and not s.under_cover for s in node.sensors):
            continue
        mol = week.calm.shelves.light_lx[node.shelf] / factor * 60 / 1e6
        by_day = np.bincount(days, weights=mol)[2:]
        for stay in stays:
            plan = stay.profile.plan(PhaseKind.LIGHT)
            asked = plan.daily_light_mol_m2 if plan else None
            if stay.shelf == node.shelf and stay.kind in _IN_LIGHT and asked and (by_day < asked.low).mean() > 0.8:
                return True
    return False


def _bright(week: RoomWeek, stays: Sequence[Stay], shelf: int) -> Bools:
    """Return when trays that are in their blackout have more light than its band."""
    light, found = week.truth.covers.light_lx[shelf], np.zeros(len(week.minutes), dtype=bool)
    for stay in stays:
        highs = [band.high for band in stay.bands(Quantity.LIGHT) if band.high is not None]
        if stay.shelf == shelf and stay.covered and highs:
            found[stay.begins : stay.ends] |= light[stay.begins : stay.ends] > min(highs)
    return found


def _store_out(week: RoomWeek, truth: RoomTruth) -> Bools:
    """Return when the cold store is outside its limits."""
    store = week.plan.store
    if store is None:
        return np.zeros(len(truth.store_c), dtype=bool)
    return np.asarray((truth.store_c < store.low_c) | (truth.store_c > store.high_c))


def lamp_harm(week: RoomWeek, stays: Sequence[Stay], fault: Fault) -> Bools:
    """Return when a lamp fault harms trays on a shelf whose light is measured."""
    plan, minutes = week.plan, week.minutes
    lit, planned = week.truth.lit[fault.index], week.truth.planned[fault.index]
    found = np.zeros(len(minutes), dtype=bool)
    seen = {
        node.shelf
        for node in plan.nodes
        if node.shelf >= 0
        and plan.shelves[node.shelf].rack == fault.index
        and any(each.quantity is Quantity.LIGHT and not each.under_cover for each in node.sensors)
    }
    here = [stay for stay in stays if stay.shelf in seen and stay.kind in _IN_LIGHT]
    if not here:
        return found
    stands = np.zeros(len(minutes), dtype=bool)
    for stay in here:
        stands[stay.begins : stay.ends] = True
    now = fault.holds(len(minutes))
    found |= stands & now & (_in_run(lit & ~planned & now, ~planned) >= LAMP_MIN)
    if fault.kind is FaultKind.LAMP_SHIFTED:
        found |= stands & now & (np.cumsum(planned & ~lit & now) >= LAMP_MIN)
    had = _in_run(lit, minutes.day) / 60
    whole = np.bincount(minutes.day, weights=planned) / 60
    to_come = whole[minutes.day] - _in_run(planned, minutes.day) / 60
    for stay in here:
        light = stay.profile.plan(PhaseKind.LIGHT)
        if stay.kind is PhaseKind.LIGHT and light is not None and light.light_hours is not None:
            span = slice(stay.begins, stay.ends)
            short = had[span] + to_come[span] < light.light_hours.low - 1
            found[span] |= (short | (had[span] > light.light_hours.high + 1)) & now[span]
    return found


def _in_run(holds: Bools, key: NDArray[np.int64] | Bools) -> Array:
    """Return for how many minutes something has held since ``key`` last changed."""
    total = np.cumsum(holds)
    fresh = np.concatenate([[True], key[1:] != key[:-1]])
    base = np.maximum.accumulate(np.where(fresh, total - holds, 0))
    return np.asarray(total - base, dtype=float)


def _stuck(week: RoomWeek, fault: Fault) -> Bools:
    """Return when a stuck sensor has been far from the truth for an hour."""
    model = next(each for each in week.plan.sensors if each.id == fault.where)
    number = [each.id for each in week.plan.sensors].index(fault.where)
    said, start_ms = week.said, week.minutes.start.timestamp() * 1000
    minute = (said.measured_at_ms - start_ms) / 60_000
    mine = (said.sensor == number) & (minute >= fault.begins) & (minute < fault.ends)
    if not mine.any():
        return np.zeros(len(week.minutes), dtype=bool)
    off = np.abs(true_at(week.plan, week.truth, model) - said.value[mine][0]) >= STUCK[model.quantity]
    return lasting(off & fault.holds(len(week.minutes)), STUCK_MIN)
