"""What has come to a store that several processes share, as spans of time by room, in the order of coming; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.readings import Block

FRESH_MS = 2 * 60_000
"""Readings no older than this against the newest of their room are told as one span of the whole room. [ms]"""
_MOST_NAMED = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """Readings of one room that came to the shared store together.

    Attributes:
        room: The room, cold store or cupboard that their sensors are in.
        from_ms: The oldest instant among them. [ms since 1970 UTC]
        to_ms: The newest. [ms since 1970 UTC]
        sensors: Whose they are; None: any of the room's.
        id: Its number, ascending in the order of coming; 0: not written down yet.
    """

    room: str
    from_ms: int
    to_ms: int
    sensors: tuple[str, ...] | None = None
    id: int = 0


def arrivals_of(block: Block, rooms: Mapping[str, str]) -> list[Arrival]:
    """Return what a block of readings is told as: by room a span of what is fresh, and one of what is late.

    Args:
        block: Readings that the store has taken.
        rooms: Room by sensor; those of unknown sensors (values as they were shown, say) are told to nobody.
    """
    found: list[Arrival] = []
    room_by_place = np.array([rooms.get(name, "") for name in block.sensors], dtype=object)
    for room in dict.fromkeys(each for each in room_by_place.tolist() if each):
        here = np.flatnonzero((room_by_place == room)[block.sensor_index])
        if not len(here):
            continue
        at_ms, index = block.measured_at_ms[here], block.sensor_index[here]
        newest = int(at_ms.max())
        fresh = at_ms >= newest - FRESH_MS
        for part in (fresh, ~fresh):
            if part.any():
                found.append(_arrival(room, at_ms[part], index[part], block.sensors))
    return merged(found)


def _arrival(room: str, at_ms: np.ndarray, index: np.ndarray, names: tuple[str, ...]) -> Arrival:
    """Return one span; it names its sensors where they are few."""
    there = np.unique(index).tolist()
    named = tuple(names[place] for place in there) if len(there) <= _MOST_NAMED else None
    return Arrival(room=room, from_ms=int(at_ms.min()), to_ms=int(at_ms.max()), sensors=named)


def merged(arrivals: Iterable[Arrival]) -> list[Arrival]:
    """Return arrivals with those of one room and the same sensors, that touch in time, made one, oldest first."""
    found: list[Arrival] = []
    last: dict[tuple[str, tuple[str, ...] | None], int] = {}
    for each in sorted(arrivals, key=lambda arrival: (arrival.from_ms, arrival.to_ms)):
        key = (each.room, each.sensors)
        place = last.get(key)
        if place is not None and each.from_ms <= found[place].to_ms + FRESH_MS:
            known = found[place]
            found[place] = Arrival(
                room=known.room,
                from_ms=known.from_ms,
                to_ms=max(known.to_ms, each.to_ms),
                sensors=known.sensors,
                id=max(known.id, each.id),
            )
        else:
            last[key] = len(found)
            found.append(each)
    return found


def spans(arrivals: Sequence[Arrival]) -> list[Arrival]:
    """Return what is to be read for some arrivals: few questions, none asked twice.

    Of one room, arrivals that name sensors and lie within a span of the whole room are covered by it; those of the
    same span are asked for together.
    """
    whole = merged(arrival for arrival in arrivals if arrival.sensors is None)
    named = merged(arrival for arrival in arrivals if arrival.sensors is not None and not _within(arrival, whole))
    groups: dict[tuple[str, int], list[Arrival]] = {}
    for each in named:
        groups.setdefault((each.room, each.from_ms // FRESH_MS), []).append(each)
    together = [
        Arrival(
            room=room,
            from_ms=min(each.from_ms for each in group),
            to_ms=max(each.to_ms for each in group),
            sensors=tuple(dict.fromkeys(name for each in group for name in each.sensors or ())),
            id=max(each.id for each in group),
        )
        for (room, _), group in groups.items()
    ]
    return sorted([*whole, *together], key=lambda arrival: arrival.from_ms)


def _within(arrival: Arrival, whole: Iterable[Arrival]) -> bool:
    """Tell whether a span of the whole room holds an arrival."""
    return any(
        each.room == arrival.room and each.from_ms <= arrival.from_ms and arrival.to_ms <= each.to_ms for each in whole
    )
