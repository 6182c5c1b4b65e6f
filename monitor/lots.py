"""What a seed lot is: whose, how old, treated or not, how many grams are left; folded from the ledger's entries; pure.

A lot is entered when it is bought; every further entry of it is another bag. What was sown from it is counted down by
the sowings themselves: seed by the tray (as entered, for its tray size) times trays, or the grams soaked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from monitor.holds import Hold, same_lot
from monitor.ledger import Entry, EntryKind


@dataclass(frozen=True, slots=True, kw_only=True)
class GerminationTest:
    """One germination test at home.

    Attributes:
        at: When it was counted.
        by: Who counted.
        germinated: Seeds that germinated.
        seeds: Seeds that were laid out.
        label_pct: What the label says; None: not said. [%]
        entry: Number of the entry.
    """

    at: datetime
    by: str
    germinated: int
    seeds: int
    label_pct: float | None
    entry: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A seed lot as its entries tell it.

    Attributes:
        id: What its bag says, e.g. ``R-77``.
        crop: Profile id; None: nobody said, and nothing was sown of it.
        supplier: Who it came from, or None.
        bought_g: Bought in all; None: it was never entered, only sown. [g]
        sown_g: Sown and soaked so far. [g]
        packed_on: Day on which it was packed; None: not said.
        use_by: Last day by its label; None: not said.
        treated: Whether the seed is treated; None: not said.
        tests: Germination tests, oldest first.
        batches: Batches that were soaked or sown from it, in order.
    """

    id: str
    crop: str | None
    supplier: str | None
    bought_g: float | None
    sown_g: float
    packed_on: date | None
    use_by: date | None
    treated: bool | None
    tests: tuple[GerminationTest, ...]
    batches: tuple[str, ...]

    @property
    def left_g(self) -> float | None:
        """Return the grams that are left; None where nobody entered how much was bought. It may be under nought."""
        return None if self.bought_g is None else self.bought_g - self.sown_g


def seed_left(lots: Iterable[Lot]) -> dict[str, float]:
    """Return the grams of seed that are left of each crop, where every lot of it that was sown was entered when bought.

    Treated seed, and lots on hold (leave them out before), do not count. [g]
    """
    by_crop: dict[str, list[float | None]] = {}
    for lot in lots:
        if lot.crop is not None and not lot.treated:
            by_crop.setdefault(lot.crop, []).append(lot.left_g)
    return {
        crop: sum(max(grams, 0.0) for grams in left if grams is not None)
        for crop, left in by_crop.items()
        if None not in left
    }


def lots_of(entries: Iterable[Entry]) -> tuple[Lot, ...]:
    """Return all lots that were entered, sown or tested, in that order; entries are those that hold, by instant."""
    facts: dict[str, dict[str, Any]] = {}
    rows = list(entries)
    soaked = {row.batch: row for row in rows if row.kind is EntryKind.SOAKED and row.batch}
    counted: set[str] = set()  # batches whose soak was weighed: the sowing that ends it costs no more seed
    for row in rows:
        lot = row.data.get("lot") or (_soaked_lot(row, soaked) if row.kind is EntryKind.SOWN else None)
        if not lot:
            continue
        known = facts.setdefault(str(lot).strip().casefold(), _blank(str(lot).strip()))
        if row.kind is EntryKind.LOT:
            _bought(known, row)
        elif row.kind is EntryKind.GERMINATED:
            known["tests"].append(_test(row))
        elif row.kind in (EntryKind.SOAKED, EntryKind.SOWN) and row.batch:
            known["sown_g"] += _seed_g(row, counted)
            known["crop"] = known["crop"] or row.data.get("crop")
            known["supplier"] = known["supplier"] or row.data.get("supplier")
            known["treated"] = row.data.get("treated") if known["treated"] is None else known["treated"]
            known["batches"][row.batch] = None
    return tuple(
        Lot(**{**known, "tests": tuple(known["tests"]), "batches": tuple(known["batches"])}) for known in facts.values()
    )


def _blank(lot: str) -> dict[str, Any]:
    """Return a lot of which nothing is known yet."""
    nothing = dict.fromkeys(("crop", "supplier", "bought_g", "packed_on", "use_by", "treated"))
    return {"id": lot, **nothing, "sown_g": 0.0, "tests": [], "batches": {}}


def _bought(known: dict[str, Any], row: Entry) -> None:
    """Take over an entry of a bag: its grams are added, what else it says holds from now on."""
    data = row.data
    if data.get("grams") is not None:
        known["bought_g"] = (known["bought_g"] or 0.0) + float(data["grams"])
    for key in ("crop", "supplier", "treated"):
        known[key] = data[key] if data.get(key) is not None else known[key]
    for key in ("packed_on", "use_by"):
        known[key] = date.fromisoformat(str(data[key])) if data.get(key) else known[key]


def _test(row: Entry) -> GerminationTest:
    """Return an entry as a germination test."""
    label = row.data.get("label_pct")
    return GerminationTest(
        at=row.at,
        by=row.by,
        germinated=int(row.data["germinated"]),
        seeds=int(row.data["seeds"]),
        label_pct=None if label is None else float(label),
        entry=row.id,
    )


def _soaked_lot(row: Entry, soaked: Mapping[str, Entry]) -> str | None:
    """Return the lot of the soak that a sowing ends."""
    soak = soaked.get(row.batch or "")
    return None if soak is None else soak.data.get("lot")


def _seed_g(row: Entry, counted: set[str]) -> float:
    """Return how much seed a soak or a sowing took; a weighed soak counts once, when it is put to soak."""
    batch = row.batch or ""
    if row.kind is EntryKind.SOAKED:
        grams = row.data.get("seed_g")
        if grams is None:
            return 0.0
        counted.add(batch)
        return float(grams)
    if batch in counted:
        counted.discard(batch)
        return 0.0
    return float(row.data.get("seed_g_per_tray") or 0.0) * (row.trays or 0)


def find_lot(lots: Sequence[Lot], said: str | None) -> Lot | None:
    """Return the lot that a person means, or None where there is none of this name."""
    return next((lot for lot in lots if same_lot(lot.id, said)), None)


def lot_warnings(
    lot: Lot | None, said: str | None, holds: Iterable[Hold], *, crop: str, grams: float, today: date
) -> tuple[str, ...]:
    """Return what speaks against sowing so many grams of a lot: a hold, another crop, its last day, too little left.

    Args:
        lot: The lot, if it is known.
        said: What it was called.
        holds: All holds.
        crop: Profile id of what is sown.
        grams: How much is sown. [g]
        today: The local day of the sowing.
    """
    held = [hold for hold in holds if hold.ended_at is None and same_lot(hold.lot, said)]
    found = [
        f"lot {said} is ON HOLD ({hold.why}): what is sown from it must not be cut or delivered until it is released."
        for hold in held
    ]
    if lot is None:
        return tuple(found)
    if lot.crop is not None and lot.crop != crop:
        found.append(f"lot {lot.id} is {lot.crop}, not {crop}: look at the bag again.")
    if lot.use_by is not None and today > lot.use_by:
        found.append(f"lot {lot.id} was to be used by {lot.use_by.isoformat()}: test how it germinates before you sow.")
    left = lot.left_g
    if left is not None and grams > left + 0.5:
        found.append(f"lot {lot.id} has {max(left, 0):.0f} g left by the book, and {grams:.0f} g are sown.")
    return tuple(found)
