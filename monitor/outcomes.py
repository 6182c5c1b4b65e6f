"""How a batch turned out: what a person judged of it, and what the ledger's counts say; pure.

What nobody entered stays None. Whether a batch counts as good or poor follows from rules that are written here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from monitor.batches import Batch, Fate
from monitor.clock import local_day
from monitor.ledger import Entry, EntryKind
from monitor.profiles import Profile

SIGNS: dict[str, str] = {
    "patchy": "bare patches in the stand",
    "slow": "came up or grew slowly",
    "leggy": "long, thin stems",
    "pale": "pale or yellow leaves",
    "crowded": "so dense that stems press on each other",
    "sparse": "thin stand all over the tray",
    "limp": "limp or dry plants",
    "rot": "rot, slime or a sour smell at the base",
    "mould": "mould between the stems",
    "coarse": "tough, with true leaves; over its day",
    "short": "short stems that would not stretch",
    "off-types": "other plants in between",
}
"""What a grower can see on a tray, by the word that is entered. Common practice, no source."""

WENT = ("cut", "living", "kept")
POOR_STAND, POOR_LOSS, POOR_YIELD = 2.0, 1 / 3, 0.75
"""At or under this stand (of 5), from this share thrown away on, or under this share of the profile's least yield, a
batch counts as poor. Common practice, no source."""
GOOD_STAND, GOOD_LEFT = 3.0, 2 / 3
"""From this stand on, or with this share of its trays cut or delivered, one that is not poor counts as good. Ours."""


class Judged(StrEnum):
    """How a batch counts when it is compared."""

    GOOD = "good"
    POOR = "poor"
    UNSAID = "not said"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one batch turned out.

    Attributes:
        batch: Batch id.
        judged: How it counts.
        stand: Stand, 0 (nothing) to 5 (full); None: not said.
        evenness: Evenness, 0 to 5; None: not said.
        off_types_pct: Share of plants that are another kind; None: not said. [%]
        signs: What was seen, words of ``SIGNS``.
        went: Cut, living or kept, as entered; empty: not said.
        why: What was wrong, in the grower's words; empty: nothing was entered.
        photos: Names of the pictures that were kept with it.
        sown: Trays sown.
        cut: Trays cut, those that were delivered afterwards too.
        living: Trays that went out living.
        lost: Trays thrown away.
        yield_g: Cut weight of a nominal tray; None: not weighed. [g]
        days: Local days from sowing to the first cut or delivery; None: neither was entered. [d]
        ended_at: When the last tray left; None: trays stand.
    """

    batch: str
    judged: Judged
    stand: float | None = None
    evenness: float | None = None
    off_types_pct: float | None = None
    signs: tuple[str, ...] = ()
    went: str = ""
    why: str = ""
    photos: tuple[str, ...] = ()
    sown: int = 0
    cut: int = 0
    living: int = 0
    lost: int = 0
    yield_g: float | None = None
    days: int | None = None
    ended_at: datetime | None = None

    @property
    def loss(self) -> float | None:
        """Return the share of trays thrown away; None: nothing was sown. [0-1]."""
        return self.lost / self.sown if self.sown else None


def outcome_of(batch: Batch, profile: Profile | None, *, tray_scale: float, zone: ZoneInfo) -> Outcome:
    """Return how a batch turned out, as far as its entries say.

    Args:
        batch: The batch.
        profile: Its crop's profile; None: it is not known, and yields are not judged.
        tray_scale: Area of its trays as a share of the nominal tray's. [-]
        zone: The farm's zone.
    """
    said = _said(batch.entries)
    grams, cut = _cut(batch.entries, batch)
    left = [entry.at for entry in batch.entries if entry.kind in (EntryKind.HARVESTED, EntryKind.DELIVERED)]
    days = None
    if left and batch.sown_at is not None:
        days = (local_day(min(left), zone) - local_day(batch.sown_at, zone)).days
    yield_g = grams / cut / tray_scale if grams and cut else None
    ended = [part.ended_at for part in batch.parts if part.ended_at is not None]
    living = sum(part.trays for part in batch.parts if part.fate is Fate.DELIVERED) - _cut_delivered(batch)
    reasons = [str(entry.data["why"]) for entry in batch.entries if _tells_why(entry)]
    values: dict[str, Any] = {
        "stand": said.get("stand"),
        "evenness": said.get("evenness"),
        "off_types_pct": said.get("off_types_pct"),
        "signs": tuple(said.get("signs") or ()),
        "went": said.get("went") or "",
        "why": "; ".join(dict.fromkeys(reasons)),
        "photos": tuple(said.get("photos") or ()),
    }
    lost = batch.trays(Fate.DISCARDED)
    return Outcome(
        batch=batch.id,
        judged=_judged(batch, values["stand"], yield_g, lost, profile),
        sown=batch.sown,
        cut=batch.trays(Fate.CUT) + _cut_delivered(batch),
        living=max(living, 0),
        lost=lost,
        yield_g=yield_g,
        days=days,
        ended_at=max(ended) if batch.is_over and ended else None,
        **values,
    )


def _tells_why(entry: Entry) -> bool:
    """Tell whether an entry says what was wrong."""
    return entry.kind in (EntryKind.DISCARDED, EntryKind.OUTCOME) and bool(entry.data.get("why"))


def _said(entries: Iterable[Entry]) -> dict[str, Any]:
    """Return what was judged: of each figure the newest entry that gives it; signs and pictures are gathered."""
    found: dict[str, Any] = {}
    signs: dict[str, None] = {}
    photos: dict[str, None] = {}
    for entry in entries:
        if entry.kind is not EntryKind.OUTCOME:
            continue
        found.update({key: value for key, value in entry.data.items() if value is not None})
        signs.update(dict.fromkeys(entry.data.get("signs") or ()))
        if entry.data.get("photo"):
            photos[str(entry.data["photo"])] = None
    return {**found, "signs": tuple(signs), "photos": tuple(photos)}


def _cut(entries: Iterable[Entry], batch: Batch) -> tuple[float, int]:
    """Return the grams of all weighed cuts, and how many trays those were."""
    weighed = [entry for entry in entries if entry.kind is EntryKind.HARVESTED and entry.data.get("grams")]
    trays = sum(
        entry.trays or sum(part.trays for part in batch.parts if part.ended_at == entry.at) or batch.sown
        for entry in weighed
    )
    return sum(float(entry.data["grams"]) for entry in weighed), trays


def _cut_delivered(batch: Batch) -> int:
    """Return how many trays were cut first and delivered then."""
    cut = sum(
        entry.trays or sum(part.trays for part in batch.parts if part.ended_at == entry.at)
        for entry in batch.entries
        if entry.kind is EntryKind.DELIVERED and entry.data.get("living") is False
    )
    return min(cut, batch.trays(Fate.DELIVERED))


def _judged(batch: Batch, stand: object, yield_g: float | None, lost: int, profile: Profile | None) -> Judged:
    """Return how a batch counts, by the rules at the top of this module."""
    grade = float(stand) if isinstance(stand, int | float) else None
    least = profile.yield_g_per_tray.low * POOR_YIELD if profile else 0.0
    if (
        (grade is not None and grade <= POOR_STAND)
        or (batch.sown and lost / batch.sown >= POOR_LOSS)
        or (yield_g is not None and yield_g < least)
    ):
        return Judged.POOR
    left = batch.trays(Fate.CUT) + batch.trays(Fate.DELIVERED)
    if (grade is not None and grade >= GOOD_STAND) or (batch.sown and left / batch.sown >= GOOD_LEFT):
        return Judged.GOOD
    return Judged.UNSAID
