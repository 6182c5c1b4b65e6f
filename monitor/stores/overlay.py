"""Readings of two places as one: the later write of a series and instant wins; pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.readings import Block


def newest(block: Block) -> Block:
    """Return a block with the last of each (sensor, instant) only, ordered by sensor, then instant."""
    if not len(block):
        return block
    order = np.lexsort((np.arange(len(block)), block.measured_at_ms, block.sensor_index))
    index, at_ms = block.sensor_index[order], block.measured_at_ms[order]
    is_last = np.ones(len(block), dtype=bool)
    is_last[:-1] = (index[1:] != index[:-1]) | (at_ms[1:] != at_ms[:-1])
    return block.rows(order[is_last])


def of_sensors(block: Block, sensors: Sequence[str]) -> Block:
    """Return a block's rows of some sensors, its index pointing into these."""
    place = {name: number for number, name in enumerate(sensors)}
    lookup = np.array([place.get(name, -1) for name in block.sensors], dtype=np.int32)
    index = lookup[block.sensor_index] if len(block) else block.sensor_index
    kept = np.flatnonzero(index >= 0)
    return Block(
        sensors=tuple(sensors),
        sensor_index=index[kept].astype(np.int32),
        measured_at_ms=block.measured_at_ms[kept],
        value=block.value[kept],
        flag=block.flag[kept],
        doubt=block.doubt[kept],
    )


def within(block: Block, start_ms: int, end_ms: int) -> Block:
    """Return a block's rows with start <= instant < end. [ms since 1970 UTC]."""
    return block.rows(np.flatnonzero((block.measured_at_ms >= start_ms) & (block.measured_at_ms < end_ms)))


def laid_over(under: Block, over: Block, sensors: Sequence[str]) -> Block:
    """Return two blocks as one of some sensors; what lies over wins."""
    return newest(Block.concat([of_sensors(under, sensors), of_sensors(over, sensors)]))
