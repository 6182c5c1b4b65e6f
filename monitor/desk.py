"""What a person's wish is worked out at: the farm, its batches as they stand, who wishes, and when; pure.

A command and a page alike open a `Desk`, have a deed worked out at it, and write that deed down.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.batches import Batch
from monitor.errors import NotFoundError
from monitor.farm import Farm, Sensor
from monitor.fold import fold
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.profiles import Profile
from monitor.timewords import read_instant
from monitor.verbs import choose


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What a wish comes to.

    Attributes:
        entries: What is to be written.
        said: What was noted, in sentences.
    """

    entries: tuple[NewEntry, ...]
    said: tuple[str, ...]


class Desk:
    """What a verb works with; warnings and cautions are gathered while it does."""

    def __init__(
        self,
        farm: Farm,
        profiles: Mapping[str, Profile],
        entries: Sequence[Entry],
        *,
        now: datetime,
        by: str | None = None,
        at: str | None = None,
    ) -> None:
        """Fold the ledger, and settle who did it and when.

        Args:
            farm: The farm.
            profiles: Crop profiles by id.
            entries: The whole ledger.
            now: The instant.
            by: Who did it; None: the farm's first person.
            at: When it was done, as a person writes it; None: now.

        Raises:
            NotFoundError: Nobody of this name stands in farm.toml.
            TimeError: The time cannot be read.
        """
        self.farm, self.profiles, self.entries, self.now = farm, profiles, tuple(entries), now
        self.batches = fold(self.entries)
        self.at = now if at is None else read_instant(at, now=now, zone=farm.zone)
        self.by = self.person(by)
        self.warnings: list[str] = []
        self.care: list[str] = []

    def person(self, said: str | None) -> str:
        """Return who did it: as said, or the farm's first person."""
        if said is None:
            return next(iter(self.farm.people))
        known = {person.casefold(): person for person in self.farm.people}
        if said.casefold() not in known:
            raise NotFoundError(f"nobody is called {said!r} in farm.toml; there are: {', '.join(self.farm.people)}")
        return known[said.casefold()]

    def batch(self, said: str | None, kind: EntryKind) -> Batch:
        """Return the batch that is meant."""
        return choose(said, kind, self.batches, self.profiles)

    def spot(self, said: str | None) -> str | None:
        """Return the id of the place that is meant."""
        return None if said is None else self.farm.places.find(said).id

    def sensor(self, said: str) -> Sensor:
        """Return the sensor that is meant.

        Raises:
            NotFoundError: There is no such sensor; those that are there are named.
        """
        found = self.farm.sensors.get(said)
        if found is None:
            raise NotFoundError(f"there is no sensor {said!r} in farm.toml; there are: {', '.join(self.farm.sensors)}")
        return found

    def entry(self, kind: EntryKind, batch: Batch | None, **more: Any) -> NewEntry:
        """Return an entry of this desk's person and instant."""
        return NewEntry(kind=kind, at=self.at, by=self.by, batch=None if batch is None else batch.id, **more)

    def entry_of(self, kind: EntryKind, batch: str, **more: Any) -> NewEntry:
        """Return an entry of this desk's person and instant about a batch that may be new."""
        return NewEntry(kind=kind, at=self.at, by=self.by, batch=batch, **more)

    def name(self, batch: Batch) -> str:
        """Return what a batch is called, e.g. ``batch 12 radish``."""
        profile = self.profiles.get(batch.crop)
        return f"batch {batch.id} {profile.name.lower() if profile else batch.crop}"

    def as_one(self, entries: Sequence[NewEntry]) -> list[NewEntry]:
        """Return entries as they are written; several share a number, by which `undo` takes them back as one."""
        if len(entries) < 2:
            return list(entries)
        together = max((entry.id for entry in self.entries), default=0) + 1
        return [replace(entry, data={**entry.data, "together": together}) for entry in entries]
