"""A long series made short enough for a screen: its shape and its extremes are kept, gaps stay gaps; pure.

What is kept of each run between two gaps is chosen by MinMaxLTTB (tsdownsample), which looks for what the eye would
miss; beside it the run's ends, its lowest and its highest value are always kept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Values = NDArray[np.float64]
_LEAST = 4


def runs(at_ms: Times, value: Values, gap_ms: int) -> list[tuple[Times, Values]]:
    """Return the stretches of a series between its gaps, each without a value that is not a number.

    Args:
        at_ms: Shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,). [any unit]
        gap_ms: Neighbours further apart than this have a gap between them. [ms]
    """
    known = ~np.isnan(value)
    at_ms, value = at_ms[known], value[known]
    if not len(at_ms):
        return []
    places = np.flatnonzero(np.diff(at_ms) > gap_ms) + 1
    return list(zip(np.split(at_ms, places), np.split(value, places), strict=True))


def thin(at_ms: Times, value: Values, *, points: int, gap_ms: int) -> tuple[Times, Values]:
    """Return a series with about as many points as asked for, and a NaN in every gap.

    Args:
        at_ms: Shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,); NaN counts as not heard. [any unit]
        points: About how many points are kept over the whole.
        gap_ms: Neighbours further apart than this have a gap between them. [ms]

    Returns:
        Instants and values, ascending; first, last, lowest and highest of every run between two gaps are among them.
    """
    found = runs(at_ms, value, gap_ms)
    total = sum(len(times) for times, _ in found)
    kept_at: list[Times] = []
    kept: list[Values] = []
    for times, values in found:
        index = _chosen(times, values, max(points * len(times) // total, _LEAST))
        if kept_at:
            kept_at.append(np.array([(int(kept_at[-1][-1]) + int(times[0])) // 2], dtype=np.int64))
            kept.append(np.array([np.nan]))
        kept_at.append(times[index])
        kept.append(values[index])
    if not kept_at:
        return np.array([], dtype=np.int64), np.array([], dtype=np.float64)
    return np.concatenate(kept_at), np.concatenate(kept)


def _chosen(times: Times, values: Values, points: int) -> NDArray[np.intp]:
    """Return which points of one run are kept, ascending."""
    if len(times) <= points:
        return np.arange(len(times))
    from tsdownsample import MinMaxLTTBDownsampler

    downsampler = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call] # the package has no types
    picked = downsampler.downsample(np.ascontiguousarray(times), np.ascontiguousarray(values), n_out=points)
    ends = (0, len(times) - 1, int(np.argmin(values)), int(np.argmax(values)))
    return np.union1d(picked.astype(np.intp), np.array(ends, dtype=np.intp))
