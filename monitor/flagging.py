"""Quality flags as readings come: spike, rate of change and flat line, each revised at most once; pure.

A reading's flag is provisional until the next one of its series, since a spike needs both neighbours. The numbers
for tray rooms are ours (common practice, no source); the tests are those of monitor/quality.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from monitor.readings import Doubt, Flag, Quantity

_NEAR_MS = 15 * 60_000  # neighbours further apart say nothing of a spike
_PASS, _SUSPECT, _FAIL = int(Flag.PASS), int(Flag.SUSPECT), int(Flag.FAIL)
_SPIKE = int(Doubt.SPIKE)


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


class SeriesFlags(NamedTuple):
    """What is remembered of one series: the last two readings, and since when its number has been the same."""

    before: Kept | None
    last: Kept | None
    same_since_ms: int


FRESH = SeriesFlags(None, None, -1)


def flagged(state: SeriesFlags, reading: Kept, limits: FlagLimits) -> tuple[SeriesFlags, Kept, Kept | None]:
    """Return the state after a reading, the reading with its provisional flag, and its forerunner if that is revised.

    A reading that is not later than the last is kept as it is, and nothing is judged by it.
    """
    before, last, same_since = state
    if last is None:
        return SeriesFlags(None, reading, reading.at_ms), reading, None
    at_ms, value, flag, doubt = reading
    if at_ms <= last.at_ms:
        return state, reading, None
    revised, reference, step = None, last, value - last.value
    if before is not None and last.flag in (_PASS, _SUSPECT) and (last.value - before.value) * step < 0:
        spike = _spike_flag(before, last, reading, limits)
        if spike > _PASS:
            revised = last = Kept(last.at_ms, last.value, max(spike, last.flag), last.doubt | _SPIKE)
            reference = before
    if step != 0.0:
        same_since = at_ms
    # a small step is no fast one, and a number that moved is not flat: the usual case, which costs nothing more
    is_usual = revised is None and step != 0.0 and -limits.rate_per_min <= step <= limits.rate_per_min
    if flag == _PASS and not is_usual:
        flag = max(_rate_flag(reference, reading, limits), _flat_flag(reading, same_since, limits))
        reading = Kept(at_ms, value, flag, doubt)
    return SeriesFlags(last, reading, same_since), reading, revised


def _rate_flag(last: Kept | None, reading: Kept, limits: FlagLimits) -> int:
    """Return the flag of a rate of change."""
    if last is None or last.flag == _FAIL or reading.at_ms - last.at_ms > _NEAR_MS:
        return _PASS
    minutes = max((reading.at_ms - last.at_ms) / 60_000, 1.0)
    return _SUSPECT if abs(reading.value - last.value) / minutes > limits.rate_per_min else _PASS


def _flat_flag(reading: Kept, same_since_ms: int, limits: FlagLimits) -> int:
    """Return the flag of a number that stays the same."""
    low, high = limits.flat_free
    if low <= reading.value <= high:
        return _PASS
    lasted = reading.at_ms - same_since_ms
    return _FAIL if lasted >= limits.flat_fail_ms else _SUSPECT if lasted >= limits.flat_suspect_ms else _PASS


def _spike_flag(before: Kept, middle: Kept, after: Kept, limits: FlagLimits) -> int:
    """Return the flag of a value that stands off both its neighbours, on the same side of both."""
    if middle.at_ms - before.at_ms > _NEAR_MS or after.at_ms - middle.at_ms > _NEAR_MS:
        return _PASS
    first, second = middle.value - before.value, after.value - middle.value
    if first * second >= 0:
        return _PASS
    off = min(abs(first), abs(second))
    return _FAIL if off > limits.spike_fail else _SUSPECT if off > limits.spike_suspect else _PASS
