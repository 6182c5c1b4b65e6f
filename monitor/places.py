"""Where things are: the spots of a farm, one inside another, and what each hands down.

A spot's id is its path, from the room down: ``cellar/1/2/3`` is position 3 of shelf 2 of rack 1 in
the room ``cellar``. A cold store or a seed cupboard is a spot of its own kind.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import time
from enum import StrEnum

from monitor.errors import NotFoundError
from monitor.readings import Quantity


def room_of(spot: str) -> str:
    """Return the room, or store, that a spot is in, by its id; empty for no spot."""
    return spot.split("/")[0]


class SpotKind(StrEnum):
    """What sort of place a spot is."""

    ROOM = "room"
    RACK = "rack"
    SHELF = "shelf"
    POSITION = "position"
    COLD_STORE = "cold store"
    CUPBOARD = "seed cupboard"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A span that a quantity must keep at a place, both ends included; None where it has no end.

    Attributes:
        low: Lower end. [stored unit]
        high: Upper end. [stored unit]
    """

    low: float | None = None
    high: float | None = None

    def holds(self, value: float) -> bool:
        """Tell whether a value lies inside."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class LampHours:
    """The local wall-clock span in which a lamp is meant to be on; it may pass midnight."""

    on: time
    off: time

    def is_on(self, wall_time: time) -> bool:
        """Tell whether the lamp should be lit at a wall-clock time; ``off`` itself is dark."""
        if self.on == self.off:
            return True
        if self.on < self.off:
            return self.on <= wall_time < self.off
        return wall_time >= self.on or wall_time < self.off


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place that has conditions.

    Attributes:
        id: Path from the room down, e.g. ``cellar/1/2``.
        kind: What sort of place.
        name: What a grower calls it, e.g. ``rack 1 shelf 2``.
        limits: Own limits, which hold with or without trays there.
        lamp: Own lamp hours; None: those of the spot that holds it.
        holds_trays: How many trays fit; None: not said.
    """

    id: str
    kind: SpotKind
    name: str
    limits: Mapping[Quantity, Limits] = field(default_factory=dict)
    lamp: LampHours | None = None
    holds_trays: int | None = None


class Places:
    """All spots of a farm, in walking order."""

    def __init__(self, spots: tuple[Spot, ...]) -> None:
        """Keep the spots; their order is the order in which the grower walks."""
        self._spots = {spot.id: spot for spot in spots}
        self._order = {spot.id: index for index, spot in enumerate(spots)}

    def __iter__(self) -> Iterator[Spot]:
        """Go through all spots in walking order."""
        return iter(self._spots.values())

    def __contains__(self, spot_id: object) -> bool:
        """Tell whether a spot of this id is there."""
        return spot_id in self._spots

    def __getitem__(self, spot_id: str) -> Spot:
        """Return a spot by its full id."""
        return self._spots[spot_id]

    def name(self, spot_id: str | None) -> str:
        """Return what a grower calls a spot; an unknown id is returned as it is, none as 'no place'."""
        if spot_id is None:
            return "no place given"
        spot = self._spots.get(spot_id)
        return spot.name if spot else spot_id

    def walking_order(self, spot_id: str | None) -> int:
        """Return a number that sorts spots as the grower walks; unknown places come last."""
        if spot_id is None:
            return len(self._order) + 1
        return self._order.get(spot_id, len(self._order))

    def chain(self, spot_id: str) -> tuple[str, ...]:
        """Return the spot and all that hold it, innermost first."""
        parts = spot_id.split("/")
        return tuple("/".join(parts[:length]) for length in range(len(parts), 0, -1))

    def is_within(self, inner_id: str, outer_id: str) -> bool:
        """Tell whether one spot is the other, or lies inside it."""
        return inner_id == outer_id or inner_id.startswith(outer_id + "/")

    def lamp(self, spot_id: str) -> LampHours | None:
        """Return the lamp hours that hold at a spot: its own, or those of the nearest that holds it."""
        for outer in self.chain(spot_id):
            spot = self._spots.get(outer)
            if spot is not None and spot.lamp is not None:
                return spot.lamp
        return None

    def find(self, said: str) -> Spot:
        """Return the spot that a person means: a full id, its end (``1/2``), or its name.

        Raises:
            NotFoundError: Nothing fits, or several do; the text lists what there is.
        """
        wanted = said.strip().strip("/").casefold()
        for spot in self._spots.values():
            if wanted in (spot.id.casefold(), spot.name.casefold()):
                return spot
        fits = [spot for spot in self._spots.values() if spot.id.casefold().endswith("/" + wanted)]
        least = min((spot.id.count("/") for spot in fits), default=0)
        fits = [spot for spot in fits if spot.id.count("/") == least]  # 1/2 is a shelf before it is a tray's place
        if len(fits) == 1:
            return fits[0]
        if fits:
            names = ", ".join(spot.id for spot in fits)
            raise NotFoundError(f"'{said}' can be any of {names}; give one of them whole")
        known = ", ".join(list(self._spots)[:12])
        raise NotFoundError(f"no place '{said}' in farm.toml; there are: {known}")
