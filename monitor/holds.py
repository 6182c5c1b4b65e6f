"""What is on hold: a seed lot or a batch of which nothing is to be cut or delivered until it is released; pure.

A hold and its release are ledger entries. A hold of a lot reaches every batch that was sown from it, those sown later
too. What has left the farm before is listed, so that buyers can be told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from monitor.ledger import Entry, EntryKind

if TYPE_CHECKING:
    from monitor.batches import Batch, Part

RECALL = (
    "A recall follows the instructions of your food-safety authority and of the seed's supplier: ask them first. "
    "This list helps to find what is where; it is no notice to anybody."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A hold of one lot or of one batch.

    Attributes:
        id: Number of the entry that set it.
        lot: Seed lot; None: it names a batch.
        batch: Batch id; None: it names a lot.
        why: The reason given.
        by: Who set it.
        at: When it was set.
        ended_at: When it was released; None: it stands.
        ended_by: Who released it.
        ended_why: The reason given then.
    """

    id: int
    lot: str | None
    batch: str | None
    why: str
    by: str
    at: datetime
    ended_at: datetime | None = None
    ended_by: str = ""
    ended_why: str = ""

    @property
    def target(self) -> str:
        """Return what it names, e.g. ``lot R-77`` or ``batch 12``."""
        return f"lot {self.lot}" if self.lot else f"batch {self.batch}"

    @property
    def option(self) -> str:
        """Return how a command names it, e.g. ``--lot R-77``."""
        if self.lot is None:
            return f"--batch {self.batch}"
        return f"--lot '{self.lot}'" if " " in self.lot else f"--lot {self.lot}"

    def in_force(self, instant: datetime) -> bool:
        """Tell whether it stands at an instant."""
        return self.at <= instant and (self.ended_at is None or instant < self.ended_at)


def same_lot(one: str | None, other: str | None) -> bool:
    """Tell whether two people mean the same lot: case and outer blanks do not count."""
    return bool(one and other and one.strip().casefold() == other.strip().casefold())


def holds_of(entries: Iterable[Entry]) -> tuple[Hold, ...]:
    """Return all holds, ended ones too, as they were set; entries: those that hold, by instant."""
    holds: list[Hold] = []
    for entry in entries:
        lot = str(entry.data["lot"]) if entry.data.get("lot") else None
        why = str(entry.data.get("why") or "")
        if entry.kind is EntryKind.HELD:
            batch = None if lot else entry.batch
            holds.append(Hold(id=entry.id, lot=lot, batch=batch, why=why, by=entry.by, at=entry.at))
        elif entry.kind is EntryKind.RELEASED:
            holds = [
                replace(hold, ended_at=entry.at, ended_by=entry.by, ended_why=why)
                if hold.ended_at is None and _names(hold, lot, entry.batch)
                else hold
                for hold in holds
            ]
    return tuple(holds)


def _names(hold: Hold, lot: str | None, batch: str | None) -> bool:
    """Tell whether a release names what a hold named."""
    return same_lot(hold.lot, lot) if lot else hold.batch is not None and hold.batch == batch


def lots_sown(batch: Batch) -> tuple[str, ...]:
    """Return every lot that a batch was soaked or sown from."""
    said = [entry.data.get("lot") for entry in batch.entries if entry.kind in (EntryKind.SOAKED, EntryKind.SOWN)]
    return tuple(dict.fromkeys(str(lot) for lot in [*said, batch.lot] if lot))


def reaches(hold: Hold, batch: Batch) -> bool:
    """Tell whether a hold concerns a batch."""
    return hold.batch == batch.id or any(same_lot(hold.lot, lot) for lot in lots_sown(batch))


def refusal(hold: Hold, batch: Batch) -> str:
    """Return why nothing of a held batch may be cut or delivered, and the way out."""
    through = f" through its {hold.target}" if hold.lot else ""
    return (
        f"batch {batch.id} ({batch.crop}) is on hold{through}: {hold.why} (entry {hold.id}, {hold.by}). Do not cut, do "
        f"not deliver. When it is free again: traywarden release {hold.option} --reason '...'. Was it done before the "
        "hold? Say when, with --at. Is it done all the same? Add --against-hold: it is kept, so that it can be traced"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GoneOut:
    """One delivery of what is on hold.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        at: When it went out.
        whom: Who took it; empty: nobody wrote it down.
        trays: How many trays, or trays' worth of what was cut.
        grams: Weight that was entered with it; None: none was. [g]
        living: It went out as living trays.
        entry: Number of the entry.
    """

    batch: str
    crop: str
    at: datetime
    whom: str
    trays: int
    grams: float | None
    living: bool
    entry: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StillHere:
    """Trays on hold that have not left: standing, or cut and in store.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        trays: How many.
        spot: Where they stand, or stood when they were cut.
        is_cut: They are cut.
    """

    batch: str
    crop: str
    trays: int
    spot: str | None
    is_cut: bool


def gone_out(hold: Hold, batches: Mapping[str, Batch]) -> tuple[GoneOut, ...]:
    """Return every delivery of the batches that a hold reaches, oldest first."""
    found = [
        GoneOut(
            batch=batch.id,
            crop=batch.crop,
            at=entry.at,
            whom=str(entry.data.get("whom") or ""),
            trays=delivered_trays(entry, batch),
            grams=float(entry.data["grams"]) if entry.data.get("grams") is not None else None,
            living=bool(entry.data.get("living")),
            entry=entry.id,
        )
        for batch in batches.values()
        if reaches(hold, batch)
        for entry in batch.entries
        if entry.kind is EntryKind.DELIVERED
    ]
    return tuple(sorted(found, key=lambda gone: (gone.at, gone.entry)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrownAway:
    """One discard of what is on hold.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        at: When it was thrown away.
        trays: How many trays.
        why: Why, as entered.
        by: Who entered it.
        entry: Number of the entry.
    """

    batch: str
    crop: str
    at: datetime
    trays: int
    why: str
    by: str
    entry: int


def thrown_away(hold: Hold, batches: Mapping[str, Batch]) -> tuple[ThrownAway, ...]:
    """Return every discard of the batches that a hold reaches, oldest first."""
    found = [
        ThrownAway(
            batch=batch.id,
            crop=batch.crop,
            at=entry.at,
            trays=delivered_trays(entry, batch),
            why=str(entry.data.get("why") or ""),
            by=entry.by,
            entry=entry.id,
        )
        for batch in batches.values()
        if reaches(hold, batch)
        for entry in batch.entries
        if entry.kind is EntryKind.DISCARDED
    ]
    return tuple(sorted(found, key=lambda each: (each.at, each.entry)))


def delivered_trays(entry: Entry, batch: Batch) -> int:
    """Return how many trays an entry that ends trays meant: as entered, or those that ended at its instant."""
    if entry.trays is not None:
        return entry.trays
    return sum(part.trays for part in batch.parts if part.ended_at == entry.at)


def still_here(hold: Hold, batches: Mapping[str, Batch]) -> tuple[StillHere, ...]:
    """Return the trays on hold that have not left."""
    found = []
    for batch in batches.values():
        if reaches(hold, batch):
            found += [_here(batch, part) for part in batch.parts if part.fate.value in ("standing", "cut")]
    return tuple(found)


def _here(batch: Batch, part: Part) -> StillHere:
    """Return one part that has not left."""
    is_cut = part.fate.value == "cut"
    return StillHere(batch=batch.id, crop=batch.crop, trays=part.trays, spot=part.spot, is_cut=is_cut)
