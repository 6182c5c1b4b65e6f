"""A long series made short enough for a screen: lowest and highest of each stretch are kept, gaps stay gaps; pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def thin(
    at_ms: NDArray[np.int64], value: NDArray[np.float64], *, stretches: int, gap_ms: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return a series with at most two points a stretch, and a NaN in every gap.

    Args:
        at_ms: Shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,). [stored unit]
        stretches: Into how many stretches of equal length the whole span is cut.
        gap_ms: Neighbours further apart than this have a gap between them. [ms]

    Returns:
        Instants and values, ascending; the lowest and highest value of the series are among them.
    """
    if not len(at_ms):
        return at_ms, value
    edges = np.linspace(int(at_ms[0]), int(at_ms[-1]) + 1, stretches + 1)
    stretch = np.searchsorted(edges, at_ms, side="right")
    gap_after = np.flatnonzero(np.diff(at_ms) > gap_ms)
    run = np.zeros(len(at_ms), dtype=np.int64)
    run[gap_after + 1] = 1
    group = stretch + np.cumsum(run) * (stretches + 2)
    starts = np.flatnonzero(np.r_[True, np.diff(group) != 0])
    ends = np.r_[starts[1:], len(at_ms)]
    kept: set[int] = {0, len(at_ms) - 1, *gap_after.tolist(), *(gap_after + 1).tolist()}
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        kept.add(start + int(np.argmin(value[start:end])))
        kept.add(start + int(np.argmax(value[start:end])))
    index = np.array(sorted(kept), dtype=np.int64)
    times, values = at_ms[index], value[index]
    holes = (at_ms[gap_after] + at_ms[gap_after + 1]) // 2
    order = np.argsort(np.r_[times, holes], kind="stable")
    return np.r_[times, holes][order], np.r_[values, np.full(len(holes), np.nan)][order]
