"""Quality flags of whole series after the QARTOD manuals: gross range, spike, rate of change, flat line, gap; pure.

Each test takes arrays of shape (n,) and returns flags of shape (n,), int8; a missing value (NaN) gets flag 9. The
rules are those of [QARTOD-TS], read as the reference implementation [IOOS-QC] reads them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.readings import FLAG_PRECEDENCE, Flag

Array = NDArray[np.float64]
Flags = NDArray[np.int8]


def _begin(values: Array) -> Flags:
    """Return pass for every value and missing for every NaN."""
    flags = np.full(len(values), int(Flag.PASS), dtype=np.int8)
    flags[np.isnan(values)] = int(Flag.MISSING)
    return flags


def _raise(flags: Flags, where: NDArray[np.bool_], flag: Flag) -> None:
    """Set a flag where a condition holds and the value is not missing."""
    flags[where & (flags != int(Flag.MISSING))] = int(flag)


def gross_range(values: Array, fail: tuple[float, float], suspect: tuple[float, float] | None = None) -> Flags:
    """Return flags by the span of the sensor and the narrower one of its user, ends included.

    Args:
        values: Shape (n,).
        fail: What the sensor can measure.
        suspect: What its user expects; None: no such span.

    Source:
        [QARTOD-TS] test 4.
    """
    flags = _begin(values)
    with np.errstate(invalid="ignore"):
        if suspect is not None:
            _raise(flags, (values < suspect[0]) | (values > suspect[1]), Flag.SUSPECT)
        _raise(flags, (values < fail[0]) | (values > fail[1]), Flag.FAIL)
    return flags


def spike(
    values: Array,
    suspect: float | None,
    fail: float | None,
    method: Literal["average", "differential"] = "average",
) -> Flags:
    """Return flags by how far a value stands off both its neighbours; first and last are not evaluated.

    Args:
        values: Shape (n,).
        suspect: From how far off it is suspect; None: never.
        fail: From how far off it fails; None: never.
        method: Off the neighbours' mean, or the smaller of two steps of opposite sign.

    Source:
        [QARTOD-TS] test 6.
    """
    flags = _begin(values)
    off = np.full(len(values), np.nan)
    if len(values) >= 3:
        if method == "average":
            off[1:-1] = np.abs(values[1:-1] - (values[:-2] + values[2:]) / 2)
        else:
            steps = np.diff(values)
            turns = steps[:-1] * steps[1:] < 0
            off[1:-1] = np.where(turns, np.minimum(np.abs(steps[:-1]), np.abs(steps[1:])), 0.0)
            off[1:-1][np.isnan(steps[:-1]) | np.isnan(steps[1:])] = np.nan
    _raise(flags, np.isnan(off), Flag.NOT_EVALUATED)
    with np.errstate(invalid="ignore"):
        if suspect is not None:
            _raise(flags, off > suspect, Flag.SUSPECT)
        if fail is not None:
            _raise(flags, off > fail, Flag.FAIL)
    return flags


def rate_of_change(values: Array, at_s: Array, suspect_per_s: float, fail_per_s: float | None = None) -> Flags:
    """Return flags by how fast a value differs from the one before; the first passes.

    Args:
        values: Shape (n,).
        at_s: Instants, shape (n,). [s]
        suspect_per_s: Rate from which it is suspect. [unit/s]
        fail_per_s: Rate from which it fails; None: never. [unit/s]

    Source:
        [QARTOD-TS] test 7. Steps keep their fraction of a second.
    """
    flags = _begin(values)
    rate = np.zeros(len(values))
    if len(values) >= 2:
        rate[1:] = np.abs(np.diff(values) / np.diff(at_s))
    with np.errstate(invalid="ignore"):
        _raise(flags, rate > suspect_per_s, Flag.SUSPECT)
        if fail_per_s is not None:
            _raise(flags, rate > fail_per_s, Flag.FAIL)
    return flags


def flat_line(values: Array, at_s: Array, suspect_s: float, fail_s: float, tolerance: float) -> Flags:
    """Return flags by for how long values have stayed within a tolerance.

    Args:
        values: Shape (n,).
        at_s: Instants, shape (n,). [s]
        suspect_s: How long makes suspect. [s]
        fail_s: How long fails. [s]
        tolerance: How far apart values still count as the same.

    Source:
        [QARTOD-TS] test 8; the span is counted in usual intervals, as [IOOS-QC] does.
    """
    flags = _begin(values)
    if len(values) < 2 or len(at_s) < 2:
        return flags
    interval = float(np.median(np.diff(at_s)))
    for span_s, flag in ((suspect_s, Flag.SUSPECT), (fail_s, Flag.FAIL)):
        count = int(span_s / interval)
        if count + 1 > len(values):
            continue
        windows = np.lib.stride_tricks.sliding_window_view(values, count + 1)
        known = ~np.isnan(windows).all(axis=1)
        wide = np.full(len(windows), np.inf)
        wide[known] = np.nanmax(windows[known], axis=1) - np.nanmin(windows[known], axis=1)
        _raise(flags, np.concatenate([np.zeros(count, dtype=bool), wide < tolerance]), flag)
    return flags


def gap(at_s: Array, longest_s: float) -> Flags:
    """Return fail for each reading that comes later after the one before than it should; NaN is missing.

    Args:
        at_s: Instants, shape (n,). [s]
        longest_s: Longest span allowed. [s]

    Source:
        [QARTOD-TS] test 1.
    """
    flags = _begin(at_s)
    late = np.zeros(len(at_s), dtype=bool)
    if len(at_s) >= 2:
        with np.errstate(invalid="ignore"):
            late[1:] = np.diff(at_s) > longest_s
    _raise(flags, late, Flag.FAIL)
    return flags


def attenuated(
    values: Array,
    at_s: Array,
    suspect: float,
    fail: float,
    *,
    spread: Literal["std", "range"] = "std",
    window_s: float | None = None,
    least_readings: int | None = None,
    least_s: float | None = None,
) -> Flags:
    """Return flags by how little values vary, over all of them or over a window behind each.

    Args:
        values: Shape (n,).
        at_s: Instants, shape (n,). [s]
        suspect: Spread under which they are suspect.
        fail: Spread under which they fail.
        spread: Standard deviation, or the largest less the smallest.
        window_s: Window, its later end included; None: all values at once. [s]
        least_readings: Fewer in a window are not evaluated.
        least_s: Before so much of the record nothing is evaluated. [s]

    Source:
        [QARTOD-TS] test 10.
    """
    flags = _begin(values)
    if not len(values) or np.isnan(values).all():
        return flags
    for place in range(len(values)):
        inside = np.ones(len(values), dtype=bool)
        if window_s is not None:
            inside = (at_s > at_s[place] - window_s) & (at_s <= at_s[place])
        found = values[inside & ~np.isnan(values)]
        few = least_readings is not None and window_s is not None and len(found) < least_readings
        early = least_s is not None and at_s[place] - at_s[0] + _usual_interval(at_s) < least_s
        if few or early or not len(found):
            flags[place] = flags[place] if np.isnan(values[place]) else int(Flag.NOT_EVALUATED)
            continue
        wide = _spread(found, spread)
        flag = Flag.FAIL if wide < fail else Flag.SUSPECT if wide < suspect else Flag.PASS
        if not np.isnan(values[place]):
            flags[place] = int(flag)
    return flags


def _usual_interval(at_s: Array) -> float:
    """Return the usual span between readings. [s]."""
    return float(np.median(np.diff(at_s))) if len(at_s) > 1 else 0.0


def _spread(found: Array, spread: str) -> float:
    """Return range, or standard deviation with n below the line, as [IOOS-QC] has it."""
    return float(found.max() - found.min()) if spread == "range" else float(found.std())


def highest(vectors: Sequence[Flags]) -> Flags:
    """Return the flag of highest precedence at each place: missing < not evaluated < pass < suspect < fail.

    Source: [IOOS-QC] roll-up.
    """
    rank = {int(flag): place for place, flag in enumerate(FLAG_PRECEDENCE)}
    ranks = np.array([[rank[int(flag)] for flag in vector] for vector in vectors])
    best = ranks.max(axis=0)
    return np.array([int(FLAG_PRECEDENCE[place]) for place in best], dtype=np.int8)
