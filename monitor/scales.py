"""The state of every scale, and of the air over the last days: fed by each committed block, rebuilt from the store."""

from __future__ import annotations

import threading
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from monitor.air import vapour_pressure_deficit
from monitor.farm import Sensor
from monitor.loadcell import BIN_MS, LoadCell, OrderedCell
from monitor.readings import USABLE, Block, Quantity, from_ms
from monitor.scalesetup import ScaleSetup, setup_at

T = TypeVar("T")
Array = NDArray[np.float64]
SCALES_FROM = timedelta(days=24)
"""How far back the readings of scales and air are read when their state is built anew: a batch's life."""
_AIR_BINS = 21 * 48
_DAY_MS = 86_400_000
_LARGE = 500  # rows from which numpy is faster than a loop


class ScaleView(Protocol):
    """What rules and tasks may ask of the scales."""

    def cell(self, sensor: str) -> LoadCell | None:
        """Return the state of a scale, in grams on it, or None where it never spoke."""
        ...

    def setup(self, sensor: str, at: datetime) -> ScaleSetup | None:
        """Return the set-up of a scale at an instant, or None."""
        ...

    def deficit_at(self, temperature: Sequence[str], humidity: Sequence[str]) -> Callable[[Array], Array]:
        """Return a function from instants to the vapour pressure deficit; what is to come is the last day again."""
        ...

    def mean_temp_c(self, temperature: Sequence[str], since_ms: float) -> float | None:
        """Return the mean temperature since an instant, or None where less than a day of it is known."""
        ...

    def air_at(self, sensors: Sequence[str]) -> Callable[[Array], Array]:
        """Return a function from instants that have been to the mean of some sensors in their half hour."""
        ...

    def once(self, key: tuple[object, ...], make: Callable[[], T]) -> T:
        """Return what is made for a key, made once; give the key its half hour, so that it is not asked for ever."""
        ...


class _HalfHours:
    """The half-hourly means of one air sensor, in one run of half hours."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self._first = 0
        self._sums: array[float] = array("d")
        self._counts: array[int] = array("q")
        self.newest = -1

    def add(self, place: int, added: float, readings: int = 1) -> None:
        """Add the sum of some readings of one half hour."""
        if not self._sums:
            self._first = place
        if place < self._first:
            if self.newest - place >= _AIR_BINS:
                return  # older than what is held
            ahead = self._first - place
            self._sums = array("d", bytes(8 * ahead)) + self._sums
            self._counts = array("q", bytes(8 * ahead)) + self._counts
            self._first = place
        index = place - self._first
        if index >= len(self._sums):
            more = bytes(8 * (index + 1 - len(self._sums)))
            self._sums.frombytes(more)
            self._counts.frombytes(more)
        self._sums[index] += added
        self._counts[index] += readings
        self.newest = max(self.newest, place)
        if len(self._sums) > _AIR_BINS + 48:
            old = len(self._sums) - _AIR_BINS
            del self._sums[:old], self._counts[:old]
            self._first += old

    def means(self, places: NDArray[np.int64]) -> Array:
        """Return the means of some half hours; NaN where nothing was heard."""
        index = places - self._first
        inside = (index >= 0) & (index < len(self._sums))
        at = np.where(inside, index, 0)
        counts = np.where(inside, np.array(self._counts)[at], 0) if len(self._sums) else np.zeros(len(places))
        sums = np.array(self._sums)[at] if len(self._sums) else counts
        return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)

    def places(self) -> NDArray[np.int64]:
        """Return the half hours in which something was heard, ascending."""
        return self._first + np.flatnonzero(np.array(self._counts))


class Scales:
    """All scales of a farm, and its air by half hours."""

    def __init__(self, sensors: Mapping[str, Sensor]) -> None:
        """Take the farm's sensors; those that weigh and those of the air are followed."""
        self._sensors = sensors
        self._setups: dict[str, tuple[ScaleSetup, ...]] = {}
        self._cells: dict[str, OrderedCell] = {}
        self._air: dict[str, _HalfHours] = {}
        self._lock = threading.Lock()
        self._known: dict[tuple[object, ...], object] = {}
        self._weigh = {name for name, sensor in sensors.items() if sensor.quantity is Quantity.WEIGHT}
        self._of_air = {
            name for name, sensor in sensors.items() if sensor.quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        }

    @property
    def followed(self) -> tuple[str, ...]:
        """Return the sensors whose readings count here."""
        return tuple(sorted(self._weigh | self._of_air))

    def set_up(self, setups: Mapping[str, tuple[ScaleSetup, ...]]) -> None:
        """Take the set-ups; a scale whose set-up changed is to be rebuilt from the store."""
        with self._lock:
            for sensor in self._weigh:
                if setups.get(sensor, ()) != self._setups.get(sensor, ()) and sensor in self._cells:
                    self._cells[sensor].is_stale = True
            self._setups = dict(setups)

    def stale(self) -> tuple[str, ...]:
        """Return the scales that are to be rebuilt: a reading came too late, was corrected, or a set-up changed."""
        with self._lock:
            return tuple(sorted(name for name, cell in self._cells.items() if cell.is_stale))

    def take(self, block: Block) -> None:
        """Take in a committed block."""
        with self._lock:
            left = self._take_large(block) if len(block) > _LARGE else slice(None)
            rows = zip(
                block.sensor_index[left].tolist(),
                block.measured_at_ms[left].tolist(),
                block.value[left].tolist(),
                block.flag[left].tolist(),
                strict=True,
            )
            for index, at_ms, value, flag in rows:
                name = block.sensors[index]
                if flag not in USABLE:
                    continue
                if name in self._weigh:
                    self._cell_of(name).add(at_ms, self._grams(name, at_ms, value))
                elif name in self._of_air:
                    self._air.setdefault(name, _HalfHours()).add(at_ms // BIN_MS, value)

    def _take_large(self, block: Block) -> NDArray[np.bool_]:
        """Take in a large block a sensor at a time, and tell which rows are left."""
        left = np.ones(len(block), dtype=bool)
        usable = np.isin(block.flag, [int(flag) for flag in USABLE])
        for index, name in enumerate(block.sensors):
            if name not in self._of_air and name not in self._weigh:
                continue
            rows = block.sensor_index == index
            left &= ~rows
            chosen = rows & usable
            if name in self._weigh:
                at_ms = block.measured_at_ms[chosen].tolist()
                shown = zip(at_ms, block.value[chosen].tolist(), strict=True)
                if at_ms:
                    self._cell_of(name).add_all([(at, self._grams(name, at, value)) for at, value in shown])
                continue
            places, which = np.unique(block.measured_at_ms[chosen] // BIN_MS, return_inverse=True)
            sums, counts = np.bincount(which, block.value[chosen]), np.bincount(which)
            held = self._air.setdefault(name, _HalfHours())
            for place, total, count in zip(places.tolist(), sums.tolist(), counts.tolist(), strict=True):
                held.add(place, total, count)
        return left

    def rebuild(self, sensors: Iterable[str], block: Block) -> None:
        """Start some sensors again from a block read from the store, in order of time."""
        with self._lock:
            for name in sensors:
                self._cells.pop(name, None)
                self._air.pop(name, None)
        self.take(block)
        self._known.clear()  # what was worked out without it may bear the same half hour in its key

    def _cell_of(self, name: str) -> OrderedCell:
        """Return a scale's state, begun where it has none."""
        if name not in self._cells:
            self._cells[name] = OrderedCell(carries_g=self._sensors[name].carries_g)
        return self._cells[name]

    def _grams(self, name: str, at_ms: int, shown_g: float) -> float:
        """Return what lay on a scale, by the set-up of that day."""
        setups = self._setups.get(name, ())
        if not setups:
            return shown_g
        if len(setups) == 1 and setups[0].zero_g == 0.0 and setups[0].factor == 1.0:
            return shown_g
        setup = setup_at(setups, from_ms(at_ms))
        return shown_g if setup is None else setup.grams(shown_g)

    def cell(self, sensor: str) -> LoadCell | None:
        """Return the state of a scale, in grams on it, or None where it never spoke."""
        with self._lock:
            found = self._cells.get(sensor)
            return None if found is None else found.now()

    def setup(self, sensor: str, at: datetime) -> ScaleSetup | None:
        """Return the set-up of a scale at an instant, or None."""
        return setup_at(self._setups.get(sensor, ()), at)

    def deficit_at(self, temperature: Sequence[str], humidity: Sequence[str]) -> Callable[[Array], Array]:
        """Return a function from instants to the vapour pressure deficit; what is to come is the last day again.

        The deficit is that of half-hourly means. NaN where neither the instant nor the same time of day on the last
        day that was heard is known. [ms since 1970 UTC -> kPa]
        """
        key = ("deficit", *temperature, "", *humidity, self._newest((*temperature, *humidity)))
        return self.once(key, lambda: self._deficit_at(temperature, humidity))

    def _newest(self, sensors: Sequence[str]) -> int:
        """Return the newest half hour of some sensors; what was computed before it began is kept no longer."""
        with self._lock:
            return max((self._air[name].newest for name in sensors if name in self._air), default=-1)

    def once(self, key: tuple[object, ...], make: Callable[[], T]) -> T:
        """Return what is made for a key, made once; give the key its half hour, so that it is not asked for ever."""
        known = self._known
        if key in known:
            with suppress(KeyError):  # another thread may let go of it in this very moment
                return cast("T", known[key])  # a key holds what its own kind makes
        made = make()
        if len(known) > 5_000:
            known.clear()
        known[key] = made
        return made

    def _deficit_at(self, temperature: Sequence[str], humidity: Sequence[str]) -> Callable[[Array], Array]:
        """Return what deficit_at returns, computed anew."""
        temp_at, temps = self._series(temperature)
        damp_at, damps = self._series(humidity)
        places, of_temp, of_damp = np.intersect1d(temp_at, damp_at, assume_unique=True, return_indices=True)
        if not len(places):
            return lambda at_ms: np.full(np.shape(at_ms), np.nan)
        deficits = vapour_pressure_deficit(temps[of_temp], np.clip(damps[of_damp], 0, 100))
        newest, a_day = int(places[-1]), _DAY_MS // BIN_MS

        def at(at_ms: Array) -> Array:
            wanted = (np.atleast_1d(np.asarray(at_ms)) // BIN_MS).astype(int)
            late = np.maximum(wanted - newest, 0)
            wanted = wanted - (late + a_day - 1) // a_day * a_day
            found = np.minimum(np.searchsorted(places, wanted), len(places) - 1)
            return np.where(places[found] == wanted, deficits[found], np.nan)

        return at

    def air_at(self, sensors: Sequence[str]) -> Callable[[Array], Array]:
        """Return a function from instants to the mean of some sensors of one quantity in their half hour.

        NaN where none of them was heard. [ms since 1970 UTC -> stored unit]
        """

        def at(at_ms: Array) -> Array:
            places = (np.atleast_1d(np.asarray(at_ms)) // BIN_MS).astype(np.int64)
            with self._lock:
                return self._means(sensors, places)

        return at

    def _means(self, sensors: Sequence[str], places: NDArray[np.int64]) -> Array:
        """Return the means over some sensors in some half hours; NaN where none was heard."""
        heard = np.array([self._air[name].means(places) for name in sensors if name in self._air])
        if len(heard) < 2:
            return heard[0] if len(heard) else np.full(len(places), np.nan)
        count = (~np.isnan(heard)).sum(axis=0)
        return np.where(count > 0, np.nansum(heard, axis=0) / np.maximum(count, 1), np.nan)

    def mean_temp_c(self, temperature: Sequence[str], since_ms: float) -> float | None:
        """Return the mean temperature since an instant, or None where less than a day of it is known."""
        key = ("temperature", *temperature, since_ms, self._newest(temperature))
        return self.once(key, lambda: self._mean_temp_c(temperature, since_ms))

    def _mean_temp_c(self, temperature: Sequence[str], since_ms: float) -> float | None:
        """Return what mean_temp_c returns, computed anew."""
        key = ("series", *temperature, self._newest(temperature))
        places, values = self.once(key, lambda: self._series(temperature))
        since = values[int(np.searchsorted(places * BIN_MS, since_ms)) :]
        return float(since.mean()) if len(since) >= 48 else None

    def _series(self, sensors: Sequence[str]) -> tuple[NDArray[np.int64], Array]:
        """Return the half hours in which some sensors were heard, ascending, and their means."""
        with self._lock:
            listed = [self._air[name].places() for name in sensors if name in self._air]
            places = np.unique(np.concatenate(listed)) if listed else np.array([], dtype=np.int64)
            return places, self._means(sensors, places)
