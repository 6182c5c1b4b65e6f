"""The sums of the book, counted from the bare entries and held against what the program says of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from typing import Any

from monitor.batches import Fate
from monitor.fold import fold
from monitor.ledger import Entry, EntryKind, effective

LEFT = {Fate.DELIVERED: EntryKind.DELIVERED, Fate.DISCARDED: EntryKind.DISCARDED, Fate.CUT: EntryKind.HARVESTED}


def wrong_trays(entries: Sequence[Entry]) -> list[str]:
    """Return the batches whose sown trays are not standing + cut + delivered + discarded, as the entries count them.

    Every sowing, cut, delivery and discard of the script names its trays, or means all; those that mean all are left to
    the program's own count, and the sum must hold all the same.
    """
    wrong = []
    rows = effective(entries)
    for batch in fold(entries).values():
        mine = [row for row in rows if row.batch == batch.id]
        sown = sum(row.trays or 0 for row in mine if row.kind is EntryKind.SOWN)
        by_fate = {fate: batch.trays(fate) for fate in Fate}
        if sown != sum(by_fate.values()):
            wrong.append(f"batch {batch.id}: {sown} sown, {by_fate}")
        for fate in (Fate.DELIVERED, Fate.DISCARDED):
            said = [row.trays for row in mine if row.kind is LEFT[fate]]
            if None not in said and sum(each or 0 for each in said) != by_fate[fate]:
                wrong.append(f"batch {batch.id}: {said} {fate.value} by the entries, {by_fate[fate]} by the count")
    return wrong


def seed_left(entries: Sequence[Entry]) -> dict[str, float]:
    """Return what is left of each seed lot: bought less sown, from the entries alone, in g."""
    left: dict[str, float] = defaultdict(float)
    for row in effective(entries):
        if row.kind is EntryKind.LOT:
            left[row.data["lot"]] += row.data["grams"]
        if row.kind is EntryKind.SOWN and row.data.get("lot"):
            left[row.data["lot"]] -= row.data["seed_g_per_tray"] * (row.trays or 0)
    return {lot: round(grams, 1) for lot, grams in left.items()}


def delivered(entries: Sequence[Entry], promised: Sequence[dict[str, Any]]) -> list[str]:
    """Return the days of promises whose count of trays that went out is not that of the entries.

    Args:
        entries: The book.
        promised: The days of ``promises --json``.
    """
    crops = {row.batch: row.data["crop"] for row in effective(entries) if row.data.get("crop") and row.batch}
    out: dict[tuple[date, str, str], int] = defaultdict(int)
    for row in effective(entries):
        if row.kind is EntryKind.DELIVERED and row.data.get("whom"):
            out[(row.at.date(), row.data["whom"], crops[row.batch or ""])] += row.trays or 0
    wrong = []
    for day in promised:
        went = out[(date.fromisoformat(day["on"]), day["whom"], day["crop"])]
        if day["delivered"] != min(went, day["trays"]):
            wrong.append(f"{day['promise']} on {day['on']}: {day['delivered']} said, {went} entered")
    return wrong
