"""Readings that come in late and all at once: flagged beside what the store has of their sensors and neighbours."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitor.farm import Farm
from monitor.flagger import HISTORY_MS, flag_beside
from monitor.neighbours import groups_of
from monitor.readings import Block, from_ms
from monitor.stores.protocol import ReadingStore

_A_LITTLE_MS = 20 * 60_000
"""So far behind the last reading one may lie that tells whether it is a spike. [ms]"""
_DAY_MS = 86_400_000
_LONGEST_MS = 7 * _DAY_MS


def flagged_late(block: Block, store: ReadingStore, farm: Farm) -> Block:
    """Return readings with all their flags; those that are stored already are not changed by it.

    Args:
        block: Some readings at least, in any order, with the flag and doubt of their value alone.
        store: Where the readings around them are.
        farm: The farm.
    """
    named = set(block.sensors)
    near = {name for group in groups_of(farm) if named & set(group.heard) for name in group.heard}
    first, last = int(block.measured_at_ms.min()), int(block.measured_at_ms.max())
    stored = store.read(sorted(named | near), from_ms(first - HISTORY_MS), from_ms(last + _A_LITTLE_MS))
    return flag_beside(block, stored, farm)


def by_time(block: Block) -> Iterator[Block]:
    """Yield readings in order of time, those together that lie close: so no more is read around them than is needed."""
    order = np.argsort(block.measured_at_ms, kind="stable")
    at_ms = block.measured_at_ms[order].tolist()
    start = 0
    for end in range(1, len(at_ms) + 1):
        if end == len(at_ms) or at_ms[end] - at_ms[end - 1] > _DAY_MS or at_ms[end] - at_ms[start] > _LONGEST_MS:
            yield block.rows(order[start:end])
            start = end


def not_stored(block: Block, store: ReadingStore) -> Block:
    """Return those readings whose sensor has none of that instant in the store."""
    first, last = int(block.measured_at_ms.min()), int(block.measured_at_ms.max())
    stored = store.read(block.sensors, from_ms(first), from_ms(last + 1))
    known = set(stored.instants())
    return block.rows(np.flatnonzero([key not in known for key in block.instants()]))
