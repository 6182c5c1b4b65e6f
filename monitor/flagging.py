"""Quality flags as readings come: spike, rate of change and flat line, each revised at most once; pure.

A reading's flag is provisional until the next one of its series, since a spike needs both neighbours. The numbers
for tray rooms are ours (common practice, no source); the tests are those of monitor/quality.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from struct import Struct
from typing import NamedTuple, cast

from monitor.readings import Doubt, Flag, Quantity

_NEAR_MS = 15 * 60_000  # neighbours further apart say nothing of a spike
_PASS, _SUSPECT, _FAIL = int(Flag.PASS), int(Flag.SUSPECT), int(Flag.FAIL)
_SPIKE = int(Doubt.SPIKE)
_NONE = 0  # no flag: there is no such reading


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagLimits:
    """From where on a series is odd.

    Attributes:
        spike_suspect: Off the mean of both neighbours. [stored unit]
        spike_fail: Likewise, fails. [stored unit]
        rate_per_min: Change by the minute that makes suspect. [stored unit/min]
        flat_suspect_ms: How long the very same number makes suspect. [ms]
        flat_fail_ms: How long it fails. [ms]
        flat_free: Numbers that may stay the same for ever (a humidity of 100 under a cover).
    """

    spike_suspect: float
    spike_fail: float
    rate_per_min: float
    flat_suspect_ms: int
    flat_fail_ms: int
    flat_free: tuple[float, float]


LIMITS: Mapping[Quantity, FlagLimits] = {
    Quantity.TEMPERATURE: FlagLimits(
        spike_suspect=3.0, spike_fail=8.0, rate_per_min=3.0, flat_suspect_ms=24 * 3_600_000,
        flat_fail_ms=48 * 3_600_000, flat_free=(1.0, 0.0),
    ),
    Quantity.HUMIDITY: FlagLimits(
        spike_suspect=15.0, spike_fail=35.0, rate_per_min=15.0, flat_suspect_ms=24 * 3_600_000,
        flat_fail_ms=48 * 3_600_000, flat_free=(98.0, 100.0),
    ),
}  # fmt: skip
"""Light steps with its lamp, and weights with what is done to them: neither is judged here."""


class Kept(NamedTuple):
    """One reading as it was stored: instant, value, flag, doubt."""

    at_ms: int
    value: float
    flag: int
    doubt: int


SeriesFlags = tuple[int, int, float, int, int, int, float, int]
"""What is remembered of one series: since when its number has been the same; instant, value, flag and doubt of the last
reading; instant, value and flag of the one before it. A flag of 0: there is none."""

FRESH: SeriesFlags = (-1, 0, 0.0, _NONE, 0, 0, 0.0, _NONE)
_PACKED = Struct("<qqdbhqdb")


class States:
    """What is remembered of many series, known by their numbers, 0 to n - 1: 44 bytes each, where a tuple takes 250."""

    def __init__(self, series: int) -> None:
        """Take how many series there are; all are fresh."""
        self._packed = bytearray(_PACKED.pack(*FRESH) * series)

    def of(self, number: int) -> SeriesFlags:
        """Return what is remembered of a series."""
        return cast(SeriesFlags, _PACKED.unpack_from(self._packed, number * _PACKED.size))

    def update(self, states: Mapping[int, SeriesFlags]) -> None:
        """Remember something else of some series."""
        packed, size, pack = self._packed, _PACKED.size, _PACKED.pack_into
        for number, state in states.items():
            pack(packed, number * size, *state)


def is_late(state: SeriesFlags, at_ms: int) -> bool:
    """Tell whether an instant is not after the last reading of a series."""
    return state[3] != _NONE and at_ms <= state[1]


def remembered(state: SeriesFlags, kept: Kept) -> SeriesFlags:
    """Return the state after a reading of the store, whose flag stands."""
    same_since, last_ms, last_value, last_flag = state[:4]
    is_same = last_flag != _NONE and last_value == kept.value
    return (same_since if is_same else kept.at_ms, *kept, last_ms, last_value, last_flag)


def flagged(state: SeriesFlags, reading: Kept, limits: FlagLimits) -> tuple[SeriesFlags, Kept, Kept | None]:
    """Return the state after a reading, the reading with its provisional flag, and its forerunner if that is revised.

    A reading that is not later than the last is kept as it is, and nothing is judged by it.
    """
    same_since, last_ms, last_value, last_flag, last_doubt, before_ms, before_value, before_flag = state
    at_ms, value, flag, doubt = reading
    if last_flag == _NONE:
        return (at_ms, at_ms, value, flag, doubt, 0, 0.0, _NONE), reading, None
    if at_ms <= last_ms:
        return state, reading, None
    revised, step = None, value - last_value
    ref_ms, ref_value, ref_flag = last_ms, last_value, last_flag
    if before_flag != _NONE and last_flag in (_PASS, _SUSPECT) and (last_value - before_value) * step < 0:
        near = last_ms - before_ms <= _NEAR_MS and at_ms - last_ms <= _NEAR_MS
        spike = _spike_flag(last_value - before_value, step, limits) if near else _PASS
        if spike > _PASS:
            last_flag, last_doubt = max(spike, last_flag), last_doubt | _SPIKE
            revised = Kept(last_ms, last_value, last_flag, last_doubt)
            ref_ms, ref_value, ref_flag = before_ms, before_value, before_flag
    if step != 0.0:
        same_since = at_ms
    # a small step is no fast one, and a number that moved is not flat: the usual case, which costs nothing more
    is_usual = revised is None and step != 0.0 and -limits.rate_per_min <= step <= limits.rate_per_min
    if flag == _PASS and not is_usual:
        fast = _PASS if ref_flag == _FAIL else _rate_flag(value - ref_value, at_ms - ref_ms, limits)
        flag = max(fast, _flat_flag(value, at_ms - same_since, limits))
        reading = Kept(at_ms, value, flag, doubt)
    return (same_since, at_ms, value, flag, doubt, last_ms, last_value, last_flag), reading, revised


def _rate_flag(step: float, lasted_ms: int, limits: FlagLimits) -> int:
    """Return the flag of a rate of change."""
    if lasted_ms > _NEAR_MS:
        return _PASS
    return _SUSPECT if abs(step) / max(lasted_ms / 60_000, 1.0) > limits.rate_per_min else _PASS


def _flat_flag(value: float, lasted_ms: int, limits: FlagLimits) -> int:
    """Return the flag of a number that stays the same."""
    low, high = limits.flat_free
    if low <= value <= high:
        return _PASS
    return _FAIL if lasted_ms >= limits.flat_fail_ms else _SUSPECT if lasted_ms >= limits.flat_suspect_ms else _PASS


def _spike_flag(up: float, down: float, limits: FlagLimits) -> int:
    """Return the flag of a value that stands off both its neighbours, on the same side of both."""
    off = min(abs(up), abs(down))
    return _FAIL if off > limits.spike_fail else _SUSPECT if off > limits.spike_suspect else _PASS
