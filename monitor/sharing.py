"""Which series were measured at the same instants, so that these need to be kept only once; pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_SAMPLE = 101
_SHARED = 0.5
"""Share of instants from which on series are kept together; a stray one costs a bit, an instant about ten."""


@dataclass(slots=True)
class Sharing:
    """Series that share their instants.

    Attributes:
        names: Their names.
        at_ms: All of their instants, ascending, each once. [ms since 1970 UTC]
    """

    names: list[str]
    at_ms: NDArray[np.int64]


def _found_in(some: NDArray[np.int64], all_ms: NDArray[np.int64]) -> float:
    """Return the share of instants that are among others, which ascend."""
    if not len(some) or not len(all_ms):
        return 0.0
    place = np.minimum(np.searchsorted(all_ms, some), len(all_ms) - 1)
    return float(np.mean(all_ms[place] == some))


def _share(one: NDArray[np.int64], other: NDArray[np.int64]) -> bool:
    """Tell whether most instants of each are the other's; a glance at some of them spares most comparisons."""
    step = max(1, len(one) // _SAMPLE)
    if _found_in(one[::step], other) < _SHARED:
        return False
    return _found_in(one, other) >= _SHARED and _found_in(other, one) >= _SHARED


def sharing(series: Mapping[str, NDArray[np.int64]]) -> list[Sharing]:
    """Return series put together by shared instants, in the order of the first name of each.

    Args:
        series: Name -> instants, ascending, none twice. [ms since 1970 UTC]
    """
    groups: list[Sharing] = []
    for name, at_ms in series.items():
        found = next((group for group in groups if _share(at_ms, group.at_ms)), None)
        if found is None:
            groups.append(Sharing(names=[name], at_ms=at_ms))
            continue
        found.names.append(name)
        if not np.array_equal(found.at_ms, at_ms):
            found.at_ms = np.union1d(found.at_ms, at_ms)
    return groups
