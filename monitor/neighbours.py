"""Which sensors are held against each other, and what is found odd about each of them in a half hour; pure.

The sensors of one quantity on one shelf are neighbours where there are three or more, else those of the whole room. A
reading is judged by the half hours that were over a quarter of an hour before it, so that what comes late, in whatever
order, still counts; what comes later than that changes no flag that was given.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.crosscheck import (
    A_DAY,
    NEAR,
    NEIGHBOURS,
    OF_COVERED,
    OF_HUMIDITY,
    OF_TEMPERATURE,
    WARMED_BY_C,
    Array,
    as_pressure,
    gone,
    gone_from,
    gone_from_now,
    gone_now,
    has_gone,
    lamp_step,
)
from monitor.farm import Farm, Sensor
from monitor.loadcell import BIN_MS, LATE_MS
from monitor.places import LampHours, room_of
from monitor.readings import Doubt, Quantity, from_ms

HELD_AGAINST = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
_NO_THERMOMETER_C = 20.0
Odd = Mapping[str, Doubt]
"""What is odd about each sensor of a group; one that is not named is as it should be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Sensors that are held against each other.

    Attributes:
        quantity: What they measure.
        sensors: Their ids.
        judged: Those of them that are judged here; the others are judged by a nearer group.
        warmth: Humidity: the thermometer beside each, None where there is none.
        lamps: The lamp hours over each, None: no lamp shines on it.
        covered: Thermometers under covers that are held against these, and are no neighbour of anyone.
        zone: Zone of the lamp hours.
    """

    quantity: Quantity
    sensors: tuple[str, ...]
    judged: tuple[str, ...]
    warmth: tuple[str | None, ...]
    lamps: tuple[LampHours | None, ...]
    covered: tuple[str, ...]
    zone: ZoneInfo

    @property
    def heard(self) -> tuple[str, ...]:
        """Return all sensors whose half hours count here."""
        return tuple(dict.fromkeys((*self.sensors, *self.covered, *(name for name in self.warmth if name))))

    @property
    def is_lit(self) -> bool:
        """Tell whether a lamp may warm any of these thermometers."""
        return self.quantity is Quantity.TEMPERATURE and any(self.lamps)


def half_hour(at_ms: int) -> int:
    """Return the newest half hour by which a reading of an instant is judged."""
    return (at_ms - LATE_MS) // BIN_MS - 1


def groups_of(farm: Farm) -> tuple[Group, ...]:
    """Return the groups of a farm's sensors; a sensor that has no neighbour is in none."""
    found: list[Group] = []
    for quantity in HELD_AGAINST:
        alike = [sensor for sensor in farm.sensors.values() if sensor.quantity is quantity]
        for room in dict.fromkeys(room_of(sensor.spot) for sensor in alike):
            here = [sensor for sensor in alike if room_of(sensor.spot) == room]
            found += _in_room(farm, quantity, here)
    return tuple(found)


def _in_room(farm: Farm, quantity: Quantity, here: Sequence[Sensor]) -> Iterator[Group]:
    """Yield the groups of one room."""
    bare = [sensor for sensor in here if not sensor.under_cover]
    near: set[str] = set()
    for spot in dict.fromkeys(sensor.spot for sensor in bare):
        shelf = [sensor for sensor in bare if sensor.spot == spot]
        if len(shelf) > NEIGHBOURS and len(shelf) < len(bare):
            near.update(sensor.id for sensor in shelf)
            yield _group(farm, quantity, shelf, shelf, ())
    judged = [sensor for sensor in bare if sensor.id not in near]
    under = [sensor.id for sensor in here if sensor.under_cover and quantity is Quantity.TEMPERATURE]
    if len(bare) >= NEIGHBOURS and (judged or under):
        yield _group(farm, quantity, bare, judged, tuple(under))


def _group(
    farm: Farm, quantity: Quantity, members: Sequence[Sensor], judged: Sequence[Sensor], covered: tuple[str, ...]
) -> Group:
    """Return one group."""
    thermometers = {
        sensor.spot: sensor.id
        for sensor in farm.sensors.values()
        if sensor.quantity is Quantity.TEMPERATURE and not sensor.under_cover
    }
    damp = quantity is Quantity.HUMIDITY
    return Group(
        quantity=quantity,
        sensors=tuple(sensor.id for sensor in members),
        judged=tuple(sensor.id for sensor in judged),
        warmth=tuple(thermometers.get(sensor.spot) if damp else None for sensor in members),
        lamps=tuple(farm.places.lamp(sensor.spot) if "/" in sensor.spot else None for sensor in members),
        covered=covered,
        zone=farm.zone,
    )


def may_have_gone(group: Group, near: Mapping[str, Array]) -> bool:
    """Tell whether any sensor of a group is so far off the others in a last half hour that it is to be looked into.

    Args:
        group: The group.
        near: The middles of the half hours of NEAR, by sensor, each of shape (8, 4). [stored unit]
    """
    values = np.stack([near[name] for name in group.sensors], axis=1)
    line, limits = values, OF_TEMPERATURE
    if group.quantity is Quantity.HUMIDITY:
        blank, limits = np.full(NEAR.shape, _NO_THERMOMETER_C), OF_HUMIDITY
        line = as_pressure(values, np.stack([near[name] if name else blank for name in group.warmth], axis=1))
    if _farthest(gone_now(line)) >= limits.drifted:
        return True
    if not group.covered:
        return False
    covers = np.stack([near[name] for name in group.covered], axis=1)
    return _farthest(gone_from_now(covers, values)) >= OF_COVERED.drifted


def _farthest(off: Array) -> float:
    """Return the most that any is off, 0 where nothing is known."""
    return float(np.nanmax(np.abs(off), initial=0.0))


class Held:
    """The half hours of a group's sensors, held against each other."""

    def __init__(self, group: Group, lines: Mapping[str, Array], first: int) -> None:
        """Take the middles of half hours on end by sensor, each of shape (n,), and which half hour the first one is."""
        self._group, self._first = group, first
        self._values = np.stack([lines[name] for name in group.sensors])
        self._vapour: Array | None = None
        if group.quantity is Quantity.HUMIDITY:
            blank = np.full(self._values.shape[1], _NO_THERMOMETER_C)
            self._vapour = as_pressure(
                self._values, np.stack([lines[name] if name else blank for name in group.warmth])
            )
        self._covers = np.stack([lines[name] for name in group.covered]) if group.covered else None
        self._limits = OF_HUMIDITY if group.quantity is Quantity.HUMIDITY else OF_TEMPERATURE

    @cached_property
    def _gone(self) -> Array:
        """Return how far each has gone from the others, shape (k, n)."""
        return gone(self._values if self._vapour is None else self._vapour)

    @cached_property
    def _shown(self) -> Array | None:
        """Return how far each has gone in what it shows, where that is something else."""
        return None if self._vapour is None else gone(self._values)

    @cached_property
    def _under(self) -> Array | None:
        """Return how far each sensor under a cover has gone from the others."""
        return None if self._covers is None else gone_from(self._covers, self._values)

    def odd(self, place: int) -> Odd:
        """Return what is odd about each sensor for readings that are judged by a half hour, given as its place."""
        group, found = self._group, dict[str, Doubt]()
        alone = Doubt.UNSURE if len(group.sensors) <= NEIGHBOURS else Doubt.NONE
        for row, name in enumerate(group.sensors):
            shown = None if self._shown is None else float(self._shown[row, place])
            if name in group.judged and has_gone(self._gone[row], place, self._limits, shown):
                found[name] = Doubt.DISAGREES | alone
        if alone and found:  # whichever of them has gone, the other has gone from it
            found = {name: Doubt.DISAGREES | alone for name in group.judged}
        if self._under is not None:
            for row, name in enumerate(group.covered):
                if has_gone(self._under[row], place, OF_COVERED):  # a pile heats up by itself, it does not cool down
                    found[name] = Doubt.DISAGREES | (Doubt.UNSURE if self._under[row, place] > 0 else Doubt.NONE)
        for name in self.warmed(place):
            found[name] = found.get(name, Doubt.NONE) | Doubt.LAMP_WARMED
        return found

    def warmed(self, place: int) -> list[str]:
        """Return the sensors that their lamp warms, where it is on."""
        group, day = self._group, self._values[:, max(place - A_DAY + 1, 0) : place + 1]
        if not group.is_lit or day.shape[1] < A_DAY:
            return []
        spread = np.where(np.isnan(day), -np.inf, day).max(axis=0) - np.where(np.isnan(day), np.inf, day).min(axis=0)
        if not (spread >= WARMED_BY_C / 2).any():
            return []  # nobody stands off anybody by so much
        lit = self._lit(place - A_DAY + 1, A_DAY)
        on_now = np.any(self._lit(place + 1, 2), axis=1)  # the readings judged by it lie in the two after it
        steps = lamp_step(day, lit)
        return [
            name
            for row, name in enumerate(group.sensors)
            if name in group.judged and bool(on_now[row]) and steps[row] >= WARMED_BY_C
        ]

    def _lit(self, place: int, count: int) -> NDArray[np.bool_]:
        """Return whether the lamp of each is on in some half hours by its plan, shape (k, count)."""
        middles = range((self._first + place) * BIN_MS + BIN_MS // 2, (self._first + place + count) * BIN_MS, BIN_MS)
        walls = [from_ms(at_ms).astimezone(self._group.zone).time() for at_ms in middles]
        return np.array([[lamp is not None and lamp.is_on(wall) for wall in walls] for lamp in self._group.lamps])
