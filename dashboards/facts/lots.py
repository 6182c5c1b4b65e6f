"""Seed lots and their germination tests as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from monitor.germination import Germination, judge
from monitor.holds import holds_of, same_lot
from monitor.ledger import Entry
from monitor.lots import GerminationTest, Lot, lots_of


def judged_test(test: GerminationTest) -> Germination:
    """Return a germination test, judged."""
    return judge(test.germinated, test.seeds, test.label_pct)


def test_json(test: GerminationTest) -> dict[str, Any]:
    """Return a germination test as the documented JSON."""
    judged = judged_test(test)
    return {
        "at": test.at.isoformat(),
        "by": test.by,
        "entry": test.entry,
        "germinated": test.germinated,
        "seeds": test.seeds,
        "share_pct": round(judged.share_pct, 1),
        "share_95_pct": [round(judged.low_pct, 1), round(judged.high_pct, 1)],
        "label_pct": test.label_pct,
        "tolerance_points": judged.tolerance_pct,
        "differs_from_label": judged.differs,
    }


def lot_json(found: Lot, on_hold: str | None) -> dict[str, Any]:
    """Return a lot as the documented JSON."""
    return {
        "lot": found.id,
        "crop": found.crop,
        "supplier": found.supplier,
        "treated": found.treated,
        "bought_g": found.bought_g,
        "sown_g": round(found.sown_g, 1),
        "left_g": None if found.left_g is None else round(found.left_g, 1),
        "packed_on": found.packed_on.isoformat() if found.packed_on else None,
        "use_by": found.use_by.isoformat() if found.use_by else None,
        "on_hold": on_hold,
        "batches": list(found.batches),
        "tests": [test_json(test) for test in found.tests],
    }


def _is_used_up(found: Lot) -> bool:
    """Tell whether just nothing is left of a lot; less than nothing is a mistake, and is shown."""
    return found.left_g is not None and abs(found.left_g) < 0.5


def lots_shown(entries: Iterable[Entry], *, everything: bool) -> list[tuple[Lot, str | None]]:
    """Return lots, each with the reason for which it is on hold; those that are used up only where all are wanted.

    Args:
        entries: The entries that hold, by instant.
        everything: Also those that are used up.
    """
    rows = list(entries)
    holds = [each for each in holds_of(rows) if each.ended_at is None]
    known = [(lot, next((hold.why for hold in holds if same_lot(hold.lot, lot.id)), None)) for lot in lots_of(rows)]
    return [(lot, why) for lot, why in known if everything or why or not _is_used_up(lot)]


def lots_facts(shown: Iterable[tuple[Lot, str | None]]) -> dict[str, Any]:
    """Return lots as the documented JSON."""
    return {"schema": "traywarden.lots/1", "lots": [lot_json(lot, why) for lot, why in shown]}
