"""What truly holds on every shelf of a simulated room, under every cover and in its cold store, each minute; pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.roomair import Air, Gains, Mode, air_of
from simulated_feeds.roombatches import BatchLife
from simulated_feeds.roomclock import Minutes
from simulated_feeds.roomdoings import Doings
from simulated_feeds.roomfaults import Fault, lamp_is_on
from simulated_feeds.roomplan import ColdStore, RoomPlan
from simulated_feeds.weather import Outside
from simulated_feeds.weekparameters import FaultKind

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
CHANGED_ON_DAY = 1
"""Lamp hours that were changed before the week were changed at noon of this day of the warm-up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What holds at places, each minute; every array has shape (places, minutes). [degC, %RH, lx]."""

    temp_c: Array
    humidity_pct: Array
    light_lx: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomTruth:
    """What truly holds in a room.

    Attributes:
        air: The middle of the room.
        shelves: At the canopy of every shelf.
        covers: Under the covers of every shelf; where none is, as in the open.
        lit: Whether the lamps of a rack burn, shape (racks, minutes).
        planned: Whether farm.toml says so.
        fan_works: Whether the fan of a rack runs, shape (racks, minutes).
        store_c: The cold store's air; all NaN where there is none. [degC]
    """

    air: Air
    shelves: Conditions
    covers: Conditions
    lit: Bools
    planned: Bools
    fan_works: Bools
    store_c: Array


@dataclass(frozen=True, slots=True)
class Stands:
    """What stands on shelves, each minute; every array has shape (shelves, minutes).

    Attributes:
        canopy: Open trays, each by the share of it that leaves cover.
        dark: Trays under a cover.
        covered: Whether covers lie there; not while trays are handled.
    """

    canopy: Array
    dark: Array
    covered: Bools


def stands_of(plan: RoomPlan, lives: tuple[BatchLife, ...], minutes: Minutes, handling_min: float) -> Stands:
    """Return what stands where."""
    shape = (len(plan.shelves), len(minutes))
    canopy, dark, handled = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=bool)
    minute = np.arange(len(minutes))
    for life in lives:
        in_light = (minute >= life.lit) & (minute < life.ended)
        grown = np.clip((minute - life.lit) / (1440 * life.full_days), 0.1, 1.0)
        canopy[life.home] += np.where(in_light, grown * life.trays, 0.0)
        if life.covers:
            dark[life.dark_at] += life.trays * ((minute >= life.sown + 6) & (minute < life.lit))
            for deed in (life.uncovered, life.lit):
                handled[life.dark_at] |= (minute >= deed - handling_min) & (minute < deed)
    return Stands(canopy, dark, (dark > 0) & ~handled)


def blackouts_of(plan: RoomPlan, lives: tuple[BatchLife, ...], minutes: Minutes) -> Bools:
    """Return on which shelves trays are in their blackout, shape (shelves, minutes)."""
    found = np.zeros((len(plan.shelves), len(minutes)), dtype=bool)
    minute = np.arange(len(minutes))
    for life in lives:
        found[life.dark_at] |= life.covers & (minute >= life.uncovered) & (minute < life.lit)
    return found


def lit_of(plan: RoomPlan, minutes: Minutes, faults: tuple[Fault, ...]) -> tuple[Bools, Bools]:
    """Return (whether the lamps of each rack burn, whether they are meant to), shape (racks, minutes)."""
    wall = minutes.wall_min
    early = (minutes.day < CHANGED_ON_DAY) | ((minutes.day == CHANGED_ON_DAY) & (wall < 720))
    planned = np.array([lamp_is_on(lamp, wall) for lamp in plan.lamps])
    lit = planned.copy()
    if plan.lamps_changed:
        before = np.array([lamp_is_on(lamp, wall, earlier=True) for lamp in plan.lamps])
        lit = np.where(early, before, lit)
    for fault in faults:
        now = fault.holds(len(minutes))
        if fault.kind is FaultKind.LAMP_OFF:
            lit[fault.index, now] = False
        elif fault.kind is FaultKind.LAMP_ALL_NIGHT:
            lit[fault.index, now] = True
        elif fault.kind in (FaultKind.LAMP_SHORT, FaultKind.LAMP_LONG, FaultKind.LAMP_SHIFTED):
            lit[fault.index] = np.where(now, _mistimed(plan, minutes, fault), lit[fault.index])
    return lit, planned


def _mistimed(plan: RoomPlan, minutes: Minutes, fault: Fault) -> Bools:
    """Return when a lamp burns whose timer is wrong."""
    lamp = plan.lamps[fault.index]
    span, by = (lamp.off_min - lamp.on_min) % 1440, round(fault.severity * 60)
    since_on = (minutes.wall_min - lamp.on_min) % 1440
    if fault.kind is FaultKind.LAMP_SHORT:
        return np.asarray(since_on < by)
    if fault.kind is FaultKind.LAMP_LONG:
        return np.asarray(since_on < min(span + by, 1440))
    late = (minutes.wall_min - lamp.on_min - by) % 1440 < span
    minute = np.arange(len(minutes))
    return np.asarray(late & (minute >= fault.begins + by))  # dark while its timer stands still


def truth_of(
    plan: RoomPlan,
    minutes: Minutes,
    outside: Outside,
    doings: Doings,
    stands: Stands,
    faults: tuple[Fault, ...],
) -> RoomTruth:
    """Return what truly holds, given weather, doings, what stands there, and faults."""
    count = len(minutes)
    lit, planned = lit_of(plan, minutes, faults)
    rack_of = np.array([shelf.rack for shelf in plan.shelves])
    lamps = np.array([shelf.lamp_lx for shelf in plan.shelves])
    burns = lit[rack_of] & (lamps > 0)[:, None]
    leaves = plan.leaves
    by_lamp = stands.canopy * leaves.lamp_g_h * burns
    by_air = stands.canopy * leaves.air_g_h_kpa * np.where(burns, 1.0, leaves.night_share)
    watts = np.array([shelf.lamp_w for shelf in plan.shelves]) @ burns
    gains = Gains(
        outside=outside,
        watts=watts + doings.people_w,
        wet_g_h=by_lamp.sum(axis=0) + leaves.covered_g_h * stands.dark.sum(axis=0) + doings.wet_g_h,
        leaves_g_h_kpa=by_air.sum(axis=0),
        door_m3_s=_door(doings, faults),
        heater=_modes(faults, count, FaultKind.HEATER_DEAD, FaultKind.HEATER_STUCK),
        cooler=_modes(faults, count, FaultKind.COOLER_DEAD, FaultKind.COOLER_STUCK),
        humidifier=_modes(faults, count, FaultKind.HUMIDIFIER_DRY, FaultKind.HUMIDIFIER_STUCK),
    )
    air = air_of(plan, gains)
    works = np.ones(lit.shape, dtype=bool)
    for fault in faults:
        if fault.kind is FaultKind.FAN_DEAD:
            works[fault.index] &= ~fault.holds(count)
    shelves = _shelves(plan, minutes, air, doings, burns, works[rack_of], by_lamp, by_air)
    return RoomTruth(
        air=air,
        shelves=shelves,
        covers=_covers(plan, shelves, stands, faults),
        lit=lit,
        planned=planned,
        fan_works=works,
        store_c=_store(plan.store, air.temp_c, doings, faults),
    )


def _modes(faults: tuple[Fault, ...], count: int, dead: FaultKind, stuck: FaultKind) -> NDArray[np.int8]:
    """Return how a device runs."""
    modes = np.zeros(count, dtype=np.int8)
    for fault in faults:
        if fault.kind in (dead, stuck):
            modes[fault.holds(count)] = Mode.DEAD if fault.kind is dead else Mode.STUCK_ON
    return modes


def _door(doings: Doings, faults: tuple[Fault, ...]) -> Array:
    """Return the air through the door."""
    flow = doings.door_m3_s
    for fault in faults:
        if fault.kind is FaultKind.DOOR_OPEN:
            flow = np.maximum(flow, fault.severity * fault.holds(len(flow)))
    return flow


def lagged(values: Array, lag_min: Array | float) -> Array:
    """Return values that follow with a first-order lag, each row by its own.

    Args:
        values: Shape (rows, minutes).
        lag_min: Time constant, one or one a row; 0 follows at once. [min]
    """
    lag = np.broadcast_to(np.asarray(lag_min, dtype=float), values.shape[:1])
    keep = np.where(lag > 0, np.exp(-1 / np.maximum(lag, 1e-9)), 0.0)
    gain = (1 - keep) * values.T
    found = np.empty_like(gain)
    last = values[:, 0].copy()
    for minute in range(len(gain)):
        last = keep * last + gain[minute]
        found[minute] = last
    return np.ascontiguousarray(found.T)


def saturation_of(temp_c: Array) -> Array:
    """Return the pressure of saturated vapour. Source: [FAO56] eq. 11. [kPa]."""
    return np.asarray(0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)))


def _shelves(
    plan: RoomPlan,
    minutes: Minutes,
    air: Air,
    doings: Doings,
    burns: Bools,
    works: Bools,
    by_lamp: Array,
    by_air: Array,
) -> Conditions:
    """Return what holds at the canopy of every shelf."""
    offset, warms, fan, lamps = (
        np.array([getattr(shelf, name) for shelf in plan.shelves])
        for name in ("offset_c", "lamp_warms_c", "fan_m3_h", "lamp_lx")
    )
    rise = warms[:, None] * burns * np.where(works, 1.0, plan.still_warms)
    temp = air.temp_c + offset[:, None] + lagged(rise, plan.lamp_lag_min)
    deficit = saturation_of(air.temp_c) * (1 - air.humidity_pct / 100)
    given = by_lamp + by_air * deficit
    mixing = fan[:, None] * np.where(works, 1.0, plan.still_share)
    vapour = air.vapour_g_m3 + lagged(given / mixing, plan.canopy_lag_min)
    full = saturation_of(temp) * 1e6 / (461.5 * (temp + 273.15))
    own = lamps[:, None] * burns
    spill = np.where((lamps > 0)[:, None], 0.0, plan.spill_share * own.sum(axis=0) / max((lamps > 0).sum(), 1))
    day = plan.building.daylight_lx * np.clip(np.cos((minutes.wall_min - 780) / 1440 * 2 * np.pi), 0, None)
    return Conditions(
        temp_c=temp,
        humidity_pct=np.minimum(100 * vapour / full, 100.0),
        light_lx=own + spill + day + doings.work_lx,
    )


def _covers(plan: RoomPlan, shelves: Conditions, stands: Stands, faults: tuple[Fault, ...]) -> Conditions:
    """Return what holds under the covers of every shelf."""
    gap = np.zeros_like(shelves.temp_c)
    for fault in faults:
        if fault.kind is FaultKind.COVER_LIFTED:
            gap[fault.index, fault.holds(gap.shape[-1])] = fault.severity
    inner = lagged(shelves.temp_c, plan.cover_lag_h * 60) + plan.cover_warms_c
    airy = np.clip(3 * gap, 0, 1)
    covered = stands.covered
    damp = plan.cover_humidity_pct + (shelves.humidity_pct - plan.cover_humidity_pct) * airy
    return Conditions(
        temp_c=np.where(covered, inner + (shelves.temp_c - inner) * airy, shelves.temp_c),
        humidity_pct=np.where(covered, damp, shelves.humidity_pct),
        light_lx=np.where(covered, plan.cover_lx + gap * shelves.light_lx, shelves.light_lx),
    )


def _store(store: ColdStore | None, room_c: Array, doings: Doings, faults: tuple[Fault, ...]) -> Array:
    """Return the air of the cold store."""
    if store is None:
        return np.full(len(room_c), np.nan)
    dead = np.zeros(len(room_c), dtype=bool)
    for fault in faults:
        if fault.kind is FaultKind.STORE_DEAD:
            dead |= fault.holds(len(dead))
    keep = float(np.exp(-1 / store.door_lag_min))
    goods, puff, runs = store.set_c, 0.0, False
    found = np.empty(len(room_c))
    for minute, (outer, is_dead, door) in enumerate(
        zip(room_c.tolist(), dead.tolist(), doings.store_door.tolist(), strict=True)
    ):
        runs = goods > store.set_c - store.hysteresis_c / 2 if runs else goods > store.set_c + store.hysteresis_c / 2
        goods += (outer - goods) / store.lag_h / 60 - (store.pull_c_h / 60 if runs and not is_dead else 0.0)
        puff = puff * keep + (store.door_c if door else 0.0)
        found[minute] = goods + puff
    return found
