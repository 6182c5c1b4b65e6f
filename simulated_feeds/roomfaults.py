"""What goes wrong in a simulated week: which faults, where, from when to when; pure, seeded.

A fault that no sensor of the room could tell is not drawn: it is the alarms that are judged, not how many sensors a
farm buys.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.readings import Quantity
from simulated_feeds.roomclock import Minutes
from simulated_feeds.roomplan import ROOM, STORE, Lamp, Node, RoomPlan
from simulated_feeds.weekparameters import (
    FAULTS,
    OFTEN,
    QUIET_GAP_H,
    QUIET_LEAD_H,
    FaultKind,
    happens,
    within,
)

_LEAST_LEFT_MIN = 6 * 60
_SPOKEN = (Quantity.TEMPERATURE, Quantity.HUMIDITY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong for a while.

    Attributes:
        kind: What.
        where: Id of the place, node or sensor.
        index: Rack, shelf or node that it concerns, by its place in the plan; -1: the room, or everything.
        begins, ends: Minutes since the first midnight. [min]
        severity: As weekparameters.FAULTS says.
        sign: Which way, where a fault has a way.
    """

    kind: FaultKind
    where: str
    index: int
    begins: int
    ends: int
    severity: float
    sign: int = 1

    def holds(self, count: int) -> NDArray[np.bool_]:
        """Return in which of the minutes it holds."""
        minute = np.arange(count)
        return (minute >= self.begins) & (minute < self.ends)


@dataclass(frozen=True, slots=True)
class _Target:
    """Where a kind of fault may strike, and from when on at the earliest after a minute."""

    where: str
    index: int
    onset: Callable[[int], int | None]
    last: Callable[[int], int] = lambda _begins: 10**9


def _any_time(begins: int) -> int | None:
    return begins


def _at_wall(minutes: Minutes, wall_min: int) -> Callable[[int], int | None]:
    """Return what finds the next time at which a wall clock shows a minute of the day."""

    def find(begins: int) -> int | None:
        near = minutes.wall_min[begins : begins + 1560]
        found = np.flatnonzero(near == wall_min)
        return begins + int(found[0]) if len(found) else None

    return find


def lamp_is_on(lamp: Lamp, wall_min: NDArray[np.int64], *, earlier: bool = False) -> NDArray[np.bool_]:
    """Return whether a lamp is meant to be lit at wall-clock minutes."""
    on, off = (lamp.earlier_on_min, lamp.earlier_off_min) if earlier else (lamp.on_min, lamp.off_min)
    return np.asarray((wall_min - on) % 1440 < (off - on) % 1440)


def _targets(kind: FaultKind, plan: RoomPlan, minutes: Minutes, covered: NDArray[np.bool_]) -> list[_Target]:
    """Return where a kind of fault may strike in this room."""
    room = [_Target(ROOM, -1, _any_time)]
    has = {
        FaultKind.HEATER_DEAD: plan.heater.power > 0,
        FaultKind.HEATER_STUCK: plan.heater.power > 0,
        FaultKind.COOLER_DEAD: plan.cooler.power > 0,
        FaultKind.COOLER_STUCK: plan.cooler.power > 0,
        FaultKind.HUMIDIFIER_DRY: plan.humidifier.power > 0,
        FaultKind.HUMIDIFIER_STUCK: plan.humidifier.power > 0,
        FaultKind.DOOR_OPEN: True,
        FaultKind.ALL_SILENT: True,
    }
    if kind in has:
        return room if has[kind] else []
    if kind is FaultKind.STORE_DEAD:
        return [_Target(STORE, -1, _any_time)] if plan.store is not None else []
    if kind is FaultKind.FAN_DEAD:
        return [_Target(f"{ROOM}/{rack + 1}", rack, _any_time) for rack in _racks_with(plan, Quantity.HUMIDITY)]
    if kind is FaultKind.COVER_LIFTED:
        return _covers(plan, covered)
    if kind in _LAMPS:
        return _lamps(kind, plan, minutes)
    if kind in (FaultKind.SENSOR_STUCK, FaultKind.SENSOR_DRIFTS, FaultKind.SENSOR_SPIKES, FaultKind.SENSOR_SILENT):
        return [
            _Target(sensor.id, place, _any_time)
            for place, node in enumerate(plan.nodes)
            for sensor in node.sensors
            if sensor.quantity in _SPOKEN and not (sensor.under_cover and sensor.quantity is Quantity.HUMIDITY)
        ]
    return [_Target(node.id, place, _any_time) for place, node in enumerate(plan.nodes)]


_LAMPS = (
    FaultKind.LAMP_OFF,
    FaultKind.LAMP_ALL_NIGHT,
    FaultKind.LAMP_SHORT,
    FaultKind.LAMP_LONG,
    FaultKind.LAMP_SHIFTED,
)


def _shelf_nodes(plan: RoomPlan, quantity: Quantity) -> list[Node]:
    """Return the nodes on shelves that measure a quantity in the open."""
    return [
        node
        for node in plan.nodes
        if node.shelf >= 0 and any(s.quantity is quantity and not s.under_cover for s in node.sensors)
    ]


def _racks_with(plan: RoomPlan, quantity: Quantity) -> list[int]:
    """Return the racks on one of whose shelves a quantity is measured in the open."""
    return sorted({plan.shelves[node.shelf].rack for node in _shelf_nodes(plan, quantity)})


def _lamps(kind: FaultKind, plan: RoomPlan, minutes: Minutes) -> list[_Target]:
    """Return the lamp circuits that a light sensor sees."""
    found = []
    for rack in _racks_with(plan, Quantity.LIGHT):
        lamp = plan.lamps[rack]
        onset: Callable[[int], int | None] = _any_time
        if kind in (FaultKind.LAMP_OFF, FaultKind.LAMP_SHORT):
            onset = _at_wall(minutes, lamp.on_min)
        elif kind in (FaultKind.LAMP_ALL_NIGHT, FaultKind.LAMP_LONG):
            onset = _at_wall(minutes, lamp.off_min)
        found.append(_Target(f"{ROOM}/{rack + 1}", rack, onset))
    return found


def _covers(plan: RoomPlan, covered: NDArray[np.bool_]) -> list[_Target]:
    """Return the shelves under whose cover a sensor lies while trays are covered there."""
    found = []
    for node in plan.nodes:
        if node.shelf < 0 or not node.sensors[0].under_cover:
            continue
        dark = covered[node.shelf]

        def onset(begins: int, dark: NDArray[np.bool_] = dark) -> int | None:
            later = np.flatnonzero(dark[begins + 60 : -60] & dark[begins + 120 :])
            return begins + 60 + int(later[0]) if len(later) else None

        def last(begins: int, dark: NDArray[np.bool_] = dark) -> int:
            bare = np.flatnonzero(~dark[begins:])
            return begins + int(bare[0]) if len(bare) else len(dark)

        found.append(_Target(plan.shelves[node.shelf].id, node.shelf, onset, last))
    return found


def draw_faults(
    rng: np.random.Generator,
    plan: RoomPlan,
    minutes: Minutes,
    covered: NDArray[np.bool_],
    judged_from: int,
    idle: frozenset[FaultKind] = frozenset(),
) -> tuple[Fault, ...]:
    """Return none to two faults with quiet time round them.

    Args:
        rng: Draws them.
        plan: The room.
        minutes: The minutes of the week.
        covered: Which shelves have trays covered for a blackout, shape (shelves, minutes).
        judged_from: First minute of the judged week.
        idle: Kinds that nobody would notice, since the device was hardly needed.
    """
    if happens(rng, "quiet week"):
        return ()
    faults: list[Fault] = []
    earliest = judged_from + int(60 * within(rng, QUIET_LEAD_H))
    for _ in range(2 if happens(rng, "second fault") else 1):
        possible = {kind: _targets(kind, plan, minutes, covered) for kind in FaultKind}
        kinds = [kind for kind, targets in possible.items() if targets and kind not in idle]
        weights = np.array([OFTEN.get(each, 1.0) for each in kinds])
        kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
        fault = _strike(rng, kind, possible[kind][int(rng.integers(len(possible[kind])))], earliest, len(minutes))
        if fault is not None:
            faults.append(fault)
            earliest = fault.ends + int(60 * within(rng, QUIET_GAP_H))
    return tuple(faults)


def _strike(rng: np.random.Generator, kind: FaultKind, target: _Target, earliest: int, count: int) -> Fault | None:
    """Return a fault of a kind from an earliest minute on, or None where the week is too short for it."""
    ranges, silent = FAULTS[kind], (FaultKind.NODE_SILENT, FaultKind.ALL_SILENT)
    lasts = int(60 * rng.uniform(*ranges.hours))
    severity, sign = float(rng.uniform(*ranges.severity)), int(rng.choice((-1, 1)))
    if kind in silent:
        sign = 1 if happens(rng, "kept by the broker") else -1
    latest = count - _LEAST_LEFT_MIN
    slack = latest - lasts - earliest
    begins = target.onset(earliest + int(rng.uniform(0, max(slack, 1))))
    if begins is None:
        return None
    ends = min(begins + lasts, latest, target.last(begins))
    if ends - begins < min(60 * ranges.hours[0], 120) * 0.5:
        return None
    return Fault(
        kind=kind, where=target.where, index=target.index, begins=begins, ends=ends, severity=severity, sign=sign
    )
