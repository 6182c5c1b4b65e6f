"""What the sensors say now: the last hours of each, bounded in memory, fed by every committed block."""

from __future__ import annotations

import threading
from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.readings import USABLE, Block, Doubt, Flag, Reading, from_ms, to_ms

_LEAST_INTERVALS = 5
_LEARN_FROM = 50
HELD = timedelta(hours=50)
"""How far back readings are held: today, and when the lamps came on yesterday, on a day of 25 hours too."""


_USABLE = np.isin(np.arange(max(Flag) + 1), list(USABLE))  # by flag
_BY_NEIGHBOURS = Doubt.DISAGREES | Doubt.LAMP_WARMED


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """The last hours of one sensor, oldest first, usable readings only.

    Attributes:
        measured_at_ms: Shape (n,), int64, ascending. [ms since 1970 UTC]
        value: Shape (n,). [stored unit]
    """

    measured_at_ms: NDArray[np.int64]
    value: NDArray[np.float64]


class LiveState(Protocol):
    """The present of every sensor; can always be rebuilt from the store."""

    def latest(self, sensor: str) -> Reading | None:
        """Return a sensor's newest usable reading, or None."""
        ...

    def recent(self, sensor: str, since: datetime, *, also: Doubt = Doubt.NONE) -> Recent:
        """Return a sensor's usable readings from an instant on, as far back as they are held.

        Args:
            sensor: Its id.
            since: The instant.
            also: Suspect readings with one of these doubts are given too.
        """
        ...

    def newest(self, sensor: str) -> Reading | None:
        """Return a sensor's newest reading of any flag, or None."""
        ...

    def last_heard(self, sensor: str) -> datetime | None:
        """Return the instant of a sensor's newest reading of any flag, or None."""
        ...

    def last_came(self, sensor: str) -> datetime | None:
        """Return when a sensor's newest arrival came, by the newest instant that any sensor had spoken of; or None."""
        ...

    def usual_interval(self, sensor: str) -> timedelta | None:
        """Return how often a sensor usually speaks, learned from what is held; None: not known yet."""
        ...

    def doubted(self, sensor: str, since: datetime) -> tuple[int, int]:
        """Return how many of a sensor's readings since an instant are suspect or failed, and how many there are."""
        ...

    def odd_by_itself(self, sensor: str, since: datetime) -> tuple[int, int, int]:
        """Return how many of them are suspect but for what neighbours say, how many failed, and how many there are."""
        ...

    def take(self, block: Block) -> None:
        """Take in a committed block."""
        ...

    def rebuild(self, sensors: Sequence[str], block: Block) -> None:
        """Start again from a block read from the store."""
        ...


@dataclass(slots=True)
class _Held:
    """The last hours of one sensor, ascending."""

    times: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    flags: array[int] = field(default_factory=lambda: array("b"))
    doubts: array[int] = field(default_factory=lambda: array("h"))
    heard_ms: int = 0
    came_ms: int = 0


def _is_held(held: _Held | None, at_ms: int, value: float, judged: tuple[int, int] | None) -> bool:
    """Tell whether a reading is held with this value, and, where they are given, this flag and doubt."""
    if held is None or not held.times or at_ms > held.times[-1]:
        return False
    place = bisect_left(held.times, at_ms)
    if held.times[place] != at_ms or held.values[place] != value:
        return False
    return judged is None or judged == (held.flags[place], held.doubts[place])


class LiveBuffer:
    """The LiveState of a running service: readings of the last hours in memory, late ones put in order."""

    def __init__(self, held: timedelta = HELD, most: int = 20_000) -> None:
        """Hold readings for ``held`` behind the newest of each sensor, and never more than ``most`` of one."""
        self._held_ms = int(held / timedelta(milliseconds=1))
        self._most = most
        self._sensors: dict[str, _Held] = {}
        self._newest_ms = 0
        self._lock = threading.Lock()

    def take(self, block: Block) -> None:
        """Take in a committed block; a reading of the same instant replaces the earlier one."""
        self._take(block)
        with self._lock:
            for index, at_ms in zip(block.sensor_index.tolist(), block.measured_at_ms.tolist(), strict=True):
                self._newest_ms = max(self._newest_ms, at_ms)
                self._sensors[block.sensors[index]].came_ms = self._newest_ms

    def _take(self, block: Block) -> None:
        """Put the readings of a block in their places."""
        rows = block.plain()
        with self._lock:
            for index, at_ms, value, flag, doubt in rows:
                self._put(self._sensors.setdefault(block.sensors[index], _Held()), at_ms, value, flag, doubt)

    def _put(self, held: _Held, at_ms: int, value: float, flag: int, doubt: int) -> None:
        """Put one reading in its place, and let go of what is too old."""
        if not held.times or at_ms > held.times[-1]:
            held.times.append(at_ms)
            held.values.append(value)
            held.flags.append(flag)
            held.doubts.append(doubt)
        else:
            place = bisect_left(held.times, at_ms)
            if held.times[place] == at_ms:
                held.values[place], held.flags[place], held.doubts[place] = value, flag, doubt
            else:
                held.times.insert(place, at_ms)
                held.values.insert(place, value)
                held.flags.insert(place, flag)
                held.doubts.insert(place, doubt)
        held.heard_ms = max(held.heard_ms, at_ms)
        if len(held.times) > self._most or held.times[0] < held.times[-1] - self._held_ms - 3_600_000:
            old = bisect_left(held.times, held.times[-1] - self._held_ms)
            old = min(old, max(len(held.times) - _LEARN_FROM - 1, 0))  # a silence does not unlearn how often it speaks
            keep = max(old, len(held.times) - self._most)
            del held.times[:keep], held.values[:keep], held.flags[:keep], held.doubts[:keep]

    def news(self, block: Block, *, flags: bool) -> Block:
        """Return the readings of a block that are not held as they are, each once, in order of time.

        Args:
            block: Readings of a store.
            flags: One whose flag or doubt has changed is news too.
        """
        keys = block.measured_at_ms * max(len(block.sensors), 1) + block.sensor_index
        rows = block.rows(np.unique(keys, return_index=True)[1])  # by instant, then sensor; each once
        with self._lock:
            held = [self._sensors.get(name) for name in block.sensors]
            fresh = [
                not _is_held(held[index], at_ms, value, (flag, doubt) if flags else None)
                for index, at_ms, value, flag, doubt in rows.plain()
            ]
        return rows.rows(np.flatnonzero(fresh))

    def rebuild(self, sensors: Sequence[str], block: Block) -> None:
        """Start again from a block read from the store."""
        with self._lock:
            for sensor in sensors:
                self._sensors.pop(sensor, None)
        self._take(block)
        with self._lock:
            self._newest_ms = max(self._newest_ms, int(block.measured_at_ms.max(initial=0)))

    def latest(self, sensor: str) -> Reading | None:
        """Return a sensor's newest usable reading, or None."""
        with self._lock:
            held = self._sensors.get(sensor)
            if held is None:
                return None
            for place in range(len(held.times) - 1, -1, -1):
                if held.flags[place] in USABLE:
                    return Reading(
                        sensor=sensor,
                        measured_at=from_ms(held.times[place]),
                        value=held.values[place],
                        flag=Flag(held.flags[place]),
                    )
        return None

    def recent(self, sensor: str, since: datetime, *, also: Doubt = Doubt.NONE) -> Recent:
        """Return a sensor's usable readings from an instant on, as far back as they are held; see LiveState."""
        with self._lock:
            held = self._sensors.get(sensor, _Held())
            start = bisect_left(held.times, to_ms(since))
            times = np.array(held.times[start:], dtype=np.int64)
            values = np.array(held.values[start:], dtype=np.float64)
            flags = np.array(held.flags[start:], dtype=np.int8)
            doubts = np.array(held.doubts[start:] if also else (), dtype=np.int16)
        usable = _USABLE[flags]
        if also:
            usable |= (flags == int(Flag.SUSPECT)) & (doubts & int(also) != 0)
        return Recent(measured_at_ms=times[usable], value=values[usable])

    def newest(self, sensor: str) -> Reading | None:
        """Return a sensor's newest reading of any flag, or None."""
        with self._lock:
            held = self._sensors.get(sensor)
            if held is None or not held.times:
                return None
            return Reading(
                sensor=sensor,
                measured_at=from_ms(held.times[-1]),
                value=held.values[-1],
                flag=Flag(held.flags[-1]),
                doubt=Doubt(held.doubts[-1]),
            )

    def last_heard(self, sensor: str) -> datetime | None:
        """Return the instant of a sensor's newest reading of any flag, or None."""
        with self._lock:
            held = self._sensors.get(sensor)
            return from_ms(held.heard_ms) if held is not None and held.heard_ms else None

    def doubted(self, sensor: str, since: datetime) -> tuple[int, int]:
        """Return how many of a sensor's readings since an instant are suspect or failed, and how many there are."""
        with self._lock:
            held = self._sensors.get(sensor)
            flags = held.flags[bisect_left(held.times, to_ms(since)) :] if held is not None else array("b")
        return sum(flag not in USABLE for flag in flags), len(flags)

    def odd_by_itself(self, sensor: str, since: datetime) -> tuple[int, int, int]:
        """Return how many of them are suspect but for what neighbours say, how many failed, and how many there are."""
        with self._lock:
            held = self._sensors.get(sensor, _Held())
            start = bisect_left(held.times, to_ms(since))
            rows = list(zip(held.flags[start:], held.doubts[start:], strict=True))
        suspect = sum(flag == Flag.SUSPECT and not doubt & _BY_NEIGHBOURS for flag, doubt in rows)
        return suspect, sum(flag == Flag.FAIL for flag, _ in rows), len(rows)

    def last_came(self, sensor: str) -> datetime | None:
        """Return when a sensor's newest arrival came, by the newest instant that any sensor had spoken of; or None.

        After a start that is what its newest reading says.
        """
        with self._lock:
            held = self._sensors.get(sensor)
            return from_ms(max(held.came_ms, held.heard_ms)) if held is not None and held.heard_ms else None

    def usual_interval(self, sensor: str) -> timedelta | None:
        """Return the median of a sensor's last intervals; None under five of them."""
        with self._lock:
            held = self._sensors.get(sensor)
            times = held.times[-_LEARN_FROM - 1 :] if held is not None else array("q")
        if len(times) <= _LEAST_INTERVALS:
            return None
        return timedelta(milliseconds=median(later - earlier for earlier, later in pairwise(times)))
