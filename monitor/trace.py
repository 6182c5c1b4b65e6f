"""What a recall needs of a seed lot or a batch: one step back and one step forward, as the ledger has it; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.batches import Batch, Fate
from monitor.holds import GoneOut, Hold, StillHere, gone_out, holds_of, lots_sown, reaches, same_lot, still_here
from monitor.ledger import Entry, EntryKind, effective
from monitor.lots import Lot, find_lot, lots_of


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedBatch:
    """One batch on the way of a lot.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        lots: Every lot that it was soaked or sown from.
        supplier: As entered; empty: nobody said.
        medium: As entered; empty: nobody said.
        sown_at: When it was sown; None: it only soaked.
        sown: Trays sown.
        fates: (what became of them, how many trays).
        stays: (place, from when) in order.
        thrown_away: (when, trays, why).
        on_hold: Reasons that stand.
    """

    batch: str
    crop: str
    lots: tuple[str, ...]
    supplier: str
    medium: str
    sown_at: datetime | None
    sown: int
    fates: tuple[tuple[str, int], ...]
    stays: tuple[tuple[str, datetime], ...]
    thrown_away: tuple[tuple[datetime, int, str], ...]
    on_hold: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """The way of a lot or a batch through the farm.

    Attributes:
        asked: What was asked for, e.g. ``lot R-77``.
        lots: The lots, as far as they were entered on their own.
        not_entered: Lots that were sown and never entered.
        batches: Batches, oldest first.
        gone: What went out, to whom and when.
        here: What is still here.
        holds: Holds that reach any of it, ended ones too.
        also_of_lot: For a batch: other batches of its lots.
        cleaned: (when, where, with what) of the places where it stood.
    """

    asked: str
    lots: tuple[Lot, ...]
    not_entered: tuple[str, ...]
    batches: tuple[TracedBatch, ...]
    gone: tuple[GoneOut, ...]
    here: tuple[StillHere, ...]
    holds: tuple[Hold, ...]
    also_of_lot: tuple[str, ...]
    cleaned: tuple[tuple[datetime, str, str], ...]


def trace_lot(lot: str, entries: Sequence[Entry], batches: Mapping[str, Batch], now: datetime) -> Trace:
    """Return the way of a seed lot; batches are those that were soaked or sown from it, in whole or in part."""
    mine = [batch for batch in batches.values() if any(same_lot(lot, each) for each in lots_sown(batch))]
    return _trace(f"lot {lot}", [lot], mine, entries, batches, now)


def trace_batch(batch: Batch, entries: Sequence[Entry], batches: Mapping[str, Batch], now: datetime) -> Trace:
    """Return the way of one batch."""
    return _trace(f"batch {batch.id}", list(lots_sown(batch)), [batch], entries, batches, now)


def _trace(
    asked: str,
    lots: Sequence[str],
    mine: Sequence[Batch],
    entries: Sequence[Entry],
    batches: Mapping[str, Batch],
    now: datetime,
) -> Trace:
    """Return the way of some batches and the lots that they came from."""
    rows = effective(entries)
    known = lots_of(rows)
    found = [find_lot(known, lot) for lot in lots]
    entered = {row.data.get("lot") for row in rows if row.kind is EntryKind.LOT}
    asks = [_asks(batch, now) for batch in mine]
    names = {batch.id for batch in mine}
    holds = [hold for hold in holds_of(rows) if any(reaches(hold, batch) for batch in mine)]
    spots = {part.spot for batch in mine for part in batch.parts if part.spot}
    first = min((batch.sown_at or batch.soaked_at or now for batch in mine), default=now)
    return Trace(
        asked=asked,
        lots=tuple(each for each in found if each is not None),
        not_entered=tuple(lot for lot in lots if not any(same_lot(lot, str(each)) for each in entered)),
        batches=tuple(_traced(batch) for batch in sorted(mine, key=lambda batch: batch.sown_at or now)),
        gone=tuple(sorted((gone for ask in asks for gone in gone_out(ask, batches)), key=lambda gone: gone.at)),
        here=tuple(each for ask in asks for each in still_here(ask, batches)),
        holds=tuple(holds),
        also_of_lot=tuple(_others(lots, batches.values(), names)),
        cleaned=tuple(
            (row.at, row.spot, str(row.data.get("with") or ""))
            for row in rows
            if row.kind is EntryKind.CLEANED and row.at >= first and row.spot is not None
            and any(spot.startswith(row.spot) or row.spot.startswith(spot) for spot in spots)
        ),
    )  # fmt: skip


def _asks(batch: Batch, now: datetime) -> Hold:
    """Return what asks for one batch in the way that holds do."""
    return Hold(id=0, lot=None, batch=batch.id, why="", by="", at=now)


def _others(lots: Sequence[str], batches: Iterable[Batch], names: set[str]) -> list[str]:
    """Return the ids of other batches of some lots."""
    return [
        batch.id
        for batch in batches
        if batch.id not in names and any(same_lot(lot, each) for lot in lots for each in lots_sown(batch))
    ]


def _traced(batch: Batch) -> TracedBatch:
    """Return one batch on its way."""
    stays: list[tuple[str, datetime]] = []
    for entry in batch.entries:
        place = entry.data.get("to") or (entry.spot if entry.kind is EntryKind.SOWN else None)
        if place and (not stays or stays[-1][0] != place):
            stays.append((str(place), entry.at))
    said = next((entry.data.get("medium") for entry in batch.entries if entry.data.get("medium")), None)
    return TracedBatch(
        batch=batch.id,
        crop=batch.crop,
        lots=lots_sown(batch),
        supplier=batch.supplier or "",
        medium=str(said or ""),
        sown_at=batch.sown_at,
        sown=batch.sown,
        fates=tuple((fate.value, batch.trays(fate)) for fate in Fate if batch.trays(fate)),
        stays=tuple(stays),
        thrown_away=tuple(
            (entry.at, entry.trays or 0, str(entry.data.get("why") or ""))
            for entry in batch.entries
            if entry.kind is EntryKind.DISCARDED
        ),
        on_hold=tuple(hold.why for hold in batch.holds),
    )
