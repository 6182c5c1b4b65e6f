"""The heat and the vapour of a simulated room, minute by minute: what comes in, goes out and is kept; pure.

Three stores of heat (air, wet trays, walls) and one of vapour. Each minute the air goes to where its gains and losses
balance, by the exact solution for that minute, so that heat and vapour close to rounding.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.roomplan import Building, Device, RoomPlan
from simulated_feeds.weather import Outside, vapour_g_m3

Array = NDArray[np.float64]
LATENT_J_G = 2450.0
"""Heat that a gram of water takes to become vapour. Source: [FAO56] ch. 1, 2.45 MJ/kg. [J/g]"""
_HEAT_J_M3K = 1.2 * 1005.0  # of air
_COIL_G_M3 = vapour_g_m3(8.0)  # a cooler's coil dries no further
_SECONDS = 60.0
_SETTLING = 1440


class Mode(IntEnum):
    """How a device runs."""

    AUTO = 0
    DEAD = 1
    STUCK_ON = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Gains:
    """What the room is given, each minute; every array has shape (minutes,).

    Attributes:
        outside: The weather.
        watts: Lamps and people. [W]
        wet_g_h: Vapour whatever the air is like. [g/h]
        leaves_g_h_kpa: Vapour by the air's deficit. [g/h/kPa]
        door_m3_s: Air through the door. [m3/s]
        heater, cooler, humidifier: How these run, values of Mode.
    """

    outside: Outside
    watts: Array
    wet_g_h: Array
    leaves_g_h_kpa: Array
    door_m3_s: Array
    heater: NDArray[np.int8]
    cooler: NDArray[np.int8]
    humidifier: NDArray[np.int8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """What came in, went out and was kept from the first minute to the last. [J, g]."""

    heat_in_j: float
    heat_out_j: float
    heat_kept_j: float
    vapour_in_g: float
    vapour_out_g: float
    vapour_kept_g: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The room's air, each minute; every array has shape (minutes,)."""

    temp_c: Array
    vapour_g_m3: Array
    humidity_pct: Array
    heater_w: Array
    cooler_w: Array
    mist_g_h: Array
    balance: Balance


@dataclass(slots=True)
class _State:
    """What the room is like at an instant."""

    air_c: float
    goods_c: float
    wall_c: float
    vapour: float
    heats: bool = False
    cools: bool = False
    mists: bool = False
    dries: bool = False

    def heat_j(self, b: Building) -> float:
        """Return the heat that is kept, over 0 degC. [J]."""
        return b.air_j_k * self.air_c + b.goods_j_k * self.goods_c + b.wall_j_k * self.wall_c


def _switch(now: bool, value: float, device: Device, mode: int, *, rises: bool) -> bool:
    """Return whether a device runs: by its thermostat, or as its fault has it."""
    if device.power <= 0 or mode == Mode.DEAD:
        return False
    if mode == Mode.STUCK_ON:
        return True
    if rises:  # a device that raises what it measures
        return value < device.off_at if now else value < device.on_at
    return value > device.off_at if now else value > device.on_at


def air_of(plan: RoomPlan, gains: Gains) -> Air:
    """Return the air of some days; the first of them is gone through once before, to settle."""
    b = plan.building
    outside_c = float(gains.outside.temp_c[0])
    air_c = plan.heater.on_at if plan.heater.power else 0.5 * (outside_c + b.still_c) + 4
    weight = b.wall_w_k + b.weather_w_k + b.still_w_k
    wall_c = (b.wall_w_k * air_c + b.weather_w_k * outside_c + b.still_w_k * b.still_c) / weight
    state = _State(air_c, air_c, wall_c, 0.6 * vapour_g_m3(air_c))
    _run(plan, gains, state, _SETTLING)
    return _run(plan, gains, state, len(gains.watts))


def _run(plan: RoomPlan, gains: Gains, state: _State, count: int) -> Air:
    """Return the air of some minutes from a state on, which is moved along."""
    b, exp = plan.building, math.exp
    begin_j, begin_g = state.heat_j(b), state.vapour * b.damp_m3
    vent_m3_h = b.volume_m3 * b.air_changes_h
    vent_w_k = _HEAT_J_M3K * vent_m3_h / 3600
    hall_g = 0.55 * vapour_g_m3(b.hall_c)
    share = b.door_outside_share
    columns = zip(
        gains.outside.temp_c[:count].tolist(), gains.outside.vapour_g_m3[:count].tolist(), gains.watts[:count].tolist(),
        gains.wet_g_h[:count].tolist(), gains.leaves_g_h_kpa[:count].tolist(), gains.door_m3_s[:count].tolist(),
        gains.heater[:count].tolist(), gains.cooler[:count].tolist(), gains.humidifier[:count].tolist(),
        strict=True,
    )  # fmt: skip
    rows: list[tuple[float, float, float, float, float, float]] = []
    heat_in = heat_out = vapour_in = vapour_out = 0.0
    for out_c, out_g, watts, wet, leaves, door, heater_mode, cooler_mode, mist_mode in columns:
        air_c, vapour = state.air_c, state.vapour
        kpa = 0.6108 * exp(17.27 * air_c / (air_c + 237.3))
        full = kpa * 1e6 / (461.5 * (air_c + 273.15))
        damp = min(100.0 * vapour / full, 100.0)
        state.heats = _switch(state.heats, air_c, plan.heater, heater_mode, rises=True)
        state.cools = _switch(state.cools, air_c, plan.cooler, cooler_mode, rises=False)
        state.mists = _switch(state.mists, damp, plan.humidifier, mist_mode, rises=True)
        state.dries = _switch(state.dries, damp, plan.dryer, Mode.AUTO, rises=False)
        heater_w = plan.heater.power if state.heats else 0.0
        cooler_w = plan.cooler.power if state.cools else 0.0
        mist = plan.humidifier.power if state.mists else 0.0
        dried = plan.dryer.power if state.dries else 0.0
        condensed = 3600 * plan.cooler_dries_share * cooler_w / LATENT_J_G if vapour > _COIL_G_M3 else 0.0
        given = wet + leaves * kpa * (1 - damp / 100) + mist
        # vapour
        door_m3_h = 3600 * door
        door_g = share * out_g + (1 - share) * hall_g
        wall_c = state.wall_c
        wall_full = 0.6108 * exp(17.27 * wall_c / (wall_c + 237.3)) * 1e6 / (461.5 * (wall_c + 273.15))
        on_wall = b.wall_m3_h * max(vapour - wall_full, 0.0)
        blown = vent_m3_h * (vapour - out_g) + door_m3_h * (vapour - door_g)
        vapour_in += given / 60
        lost = blown + dried + condensed + on_wall
        vapour += (given - lost) / 60 / b.damp_m3
        if vapour > full:  # fog settles on what is there
            lost += (vapour - full) * b.damp_m3 * 60
            vapour = full
        vapour_out += lost / 60
        state.vapour = vapour
        # heat
        gained = watts + heater_w + dried * (plan.dryer_w_h_g + LATENT_J_G / 3600)
        spent = (1 - plan.cooler_dries_share if condensed else 1.0) * cooler_w + given * LATENT_J_G / 3600
        door_w_k = _HEAT_J_M3K * door
        door_c = share * out_c + (1 - share) * b.hall_c
        total = b.wall_w_k + b.goods_w_k + vent_w_k + door_w_k
        goal = (
            b.wall_w_k * wall_c + b.goods_w_k * state.goods_c + vent_w_k * out_c + door_w_k * door_c + gained - spent
        ) / total
        pace = total * _SECONDS / b.air_j_k
        left = exp(-pace)
        mean = goal + (air_c - goal) * (1 - left) / pace
        state.air_c = goal + (air_c - goal) * left
        state.goods_c += b.goods_w_k * (mean - state.goods_c) * _SECONDS / b.goods_j_k
        wall_out = b.weather_w_k * (wall_c - out_c) + b.still_w_k * (wall_c - b.still_c)
        wall_in = on_wall * LATENT_J_G / 3600
        state.wall_c += (b.wall_w_k * (mean - wall_c) + wall_in - wall_out) * _SECONDS / b.wall_j_k
        heat_in += (gained + wall_in) * _SECONDS
        heat_out += (spent + wall_out + vent_w_k * (mean - out_c) + door_w_k * (mean - door_c)) * _SECONDS
        rows.append((air_c, vapour, damp, heater_w, cooler_w, mist))
    table = np.array(rows).T
    return Air(
        temp_c=table[0],
        vapour_g_m3=table[1],
        humidity_pct=table[2],
        heater_w=table[3],
        cooler_w=table[4],
        mist_g_h=table[5],
        balance=Balance(
            heat_in_j=heat_in,
            heat_out_j=heat_out,
            heat_kept_j=state.heat_j(b) - begin_j,
            vapour_in_g=vapour_in,
            vapour_out_g=vapour_out,
            vapour_kept_g=state.vapour * b.damp_m3 - begin_g,
        ),
    )
