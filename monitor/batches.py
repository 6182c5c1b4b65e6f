"""What a batch is: trays of one crop sown together from one seed lot, folded from the ledger's entries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from monitor.holds import Hold
from monitor.ledger import Entry


class Fate(StrEnum):
    """What became of trays."""

    STANDING = "standing"
    CUT = "cut"
    DELIVERED = "delivered"
    DISCARDED = "discarded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Trays of a batch that share place and history.

    Attributes:
        trays: How many, at least 1.
        fate: Whether they still stand.
        spot: Where they are (or last were), or None where nobody said.
        stack: The pile that they lie in; None once uncovered, or if never stacked.
        covered_at: When they were stacked or covered; None: not yet, or never.
        uncovered_at: When the cover or weight came off for good; None: not yet.
        lights_at: When they came into the light; None: not yet.
        ended_at: When they were cut, delivered or discarded; None while standing.
        watered_at: When they were last watered from below; None: never since sowing.
        lifted_early: The cover was taken off before the profile's earliest day; set by the fold from the entry.
    """

    trays: int
    fate: Fate
    spot: str | None
    stack: str | None = None
    covered_at: datetime | None = None
    uncovered_at: datetime | None = None
    lights_at: datetime | None = None
    ended_at: datetime | None = None
    watered_at: datetime | None = None
    lifted_early: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A batch as its entries tell it.

    Attributes:
        id: Short number that a grower says, e.g. ``12``.
        crop: Profile id.
        soaked_at: When the soak began; None: not soaked.
        drained_at: When the soak was drained; None: not yet, or not soaked. Sowing ends a soak too.
        sown_at: When it was sown; None: still soaking.
        trays_planned: Trays that a soak is meant for; None: not said.
        lot: Seed lot, or None.
        supplier: As entered, or None.
        treated: Whether the seed is treated; None: not said.
        tray_kind: Tray kind id, or None.
        seed_g_per_tray: Sowing weight. [g per tray of its kind]
        parts: Parts in the order in which they came about.
        entries: The effective entries that concern it, oldest first.
        cleaned_at: When its place was cleared and washed after the last tray left; None: not yet.
        holds: What stands against cutting and delivering it; empty: nothing.
    """

    id: str
    crop: str
    soaked_at: datetime | None
    drained_at: datetime | None
    sown_at: datetime | None
    trays_planned: int | None
    lot: str | None
    supplier: str | None
    treated: bool | None
    tray_kind: str | None
    seed_g_per_tray: float | None
    parts: tuple[Part, ...]
    entries: tuple[Entry, ...]
    cleaned_at: datetime | None = None
    holds: tuple[Hold, ...] = ()

    def trays(self, fate: Fate) -> int:
        """Return how many trays have this fate."""
        return sum(part.trays for part in self.parts if part.fate is fate)

    @property
    def sown(self) -> int:
        """Return how many trays were sown: standing + cut + delivered + discarded."""
        return sum(part.trays for part in self.parts)

    @property
    def standing(self) -> tuple[Part, ...]:
        """Return the parts that still stand."""
        return tuple(part for part in self.parts if part.fate is Fate.STANDING)

    @property
    def is_over(self) -> bool:
        """Tell whether it was sown and no tray of it stands any more."""
        return self.sown_at is not None and not self.standing


Batches = Mapping[str, Batch]
