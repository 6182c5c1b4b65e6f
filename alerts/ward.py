"""Which rooms one process judges and tells of, where several share a farm; pure.

What stands in no room of farm.toml (the monitor itself, promises, soaks, what was cut) belongs to no room: ``NOWHERE``.
A batch belongs to one room, wherever its trays stand, so that one process alone tells its tasks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from monitor.batches import Batch
from monitor.farm import Farm
from monitor.holds import Hold
from monitor.places import room_of

NOWHERE = ""
"""The name under which what belongs to no room is watched."""


def rooms_of(farm: Farm) -> tuple[str, ...]:
    """Return the first parts of all spots' ids, in walking order: rooms, cold stores, seed cupboards."""
    return tuple(dict.fromkeys(room_of(spot.id) for spot in farm.places))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ward:
    """The rooms in one process's care.

    Attributes:
        rooms: Which; ``NOWHERE`` among them where it has what belongs to no room. None: the whole farm.
        known: All rooms of farm.toml.
    """

    rooms: frozenset[str] | None = None
    known: frozenset[str] = frozenset()

    @property
    def is_whole(self) -> bool:
        """Tell whether it is the whole farm, watched by one process."""
        return self.rooms is None

    def only(self, rooms: frozenset[str]) -> Ward:
        """Return the part of it that lies in some rooms; of the whole farm, all."""
        return self if self.rooms is None else Ward(rooms=self.rooms & rooms, known=self.known)

    def room(self, spot: str | None) -> str:
        """Return the room of a spot; ``NOWHERE`` where farm.toml has none."""
        found = room_of(spot or "")
        return found if found in self.known else NOWHERE

    def has(self, spot: str | None) -> bool:
        """Tell whether a spot is in its care."""
        return self.rooms is None or self.room(spot) in self.rooms

    def room_of_batch(self, batch: Batch) -> str:
        """Return the room in which most of a batch's trays stand; of several the first by name, or ``NOWHERE``."""
        trays: Counter[str] = Counter()
        for part in batch.standing:
            trays[self.room(part.spot)] += part.trays
        return min(trays, key=lambda room: (-trays[room], room), default=NOWHERE)

    def has_batch(self, batch: Batch) -> bool:
        """Tell whether it is this process that tells a batch's tasks."""
        return self.rooms is None or self.room_of_batch(batch) in self.rooms

    def has_hold(self, hold: Hold, batches: Mapping[str, Batch]) -> bool:
        """Tell whether it is this process that tells a hold: of a batch, where it stands; of a lot, in no room."""
        found = batches.get(hold.batch or "")
        return self.has(None) if found is None else self.has_batch(found)

    def room_of_task(self, batch: str, batches: Mapping[str, Batch]) -> str:
        """Return the room of a task by its batch; what belongs to no batch (a promise) belongs to no room."""
        found = batches.get(batch)
        return NOWHERE if found is None else self.room_of_batch(found)

    def reads(self, batches: Mapping[str, Batch], promised: Collection[str] = ()) -> frozenset[str]:
        """Return the rooms whose readings it needs: its own, and those where trays stand that it reckons with.

        Args:
            batches: All batches.
            promised: Crops of which something is promised: who tells the promises reckons with all their trays.
        """
        if self.rooms is None:
            return self.known
        counts = promised if NOWHERE in self.rooms else ()
        beside = {
            self.room(part.spot)
            for batch in batches.values()
            if self.has_batch(batch) or batch.crop in counts
            for part in batch.standing
        }
        return frozenset((self.rooms | beside) - {NOWHERE})


WHOLE = Ward()
