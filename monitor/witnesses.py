"""From the facts of batches to what the model of suspects sees of them; pure."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.doses import doses_of
from monitor.germination import judge
from monitor.ledger import EntryKind
from monitor.lots import Lot
from monitor.review import BatchFacts
from monitor.suspects import Witness


def witness_of(facts: BatchFacts, lots: Mapping[str, Lot] | None = None) -> Witness:
    """Return a batch as the model sees it.

    Args:
        facts: What it lived through.
        lots: Seed lots by their id in lower case, for their germination tests; None: none are known.
    """
    record = facts.record
    told = [entry for entry in record.batch.entries if entry.kind is EntryKind.OUTCOME]
    said = any("signs" in entry.data for entry in told)
    return Witness(
        batch=record.batch.id,
        crop=record.profile.id,
        judged=record.outcome.judged,
        doses=doses_of(facts),
        lot=record.lot,
        medium=record.medium,
        spot=record.shelf,
        signs=record.outcome.signs if said else None,
        lot_differs=_differs(record.lot, lots or {}),
    )


def _differs(lot: str | None, lots: Mapping[str, Lot]) -> bool | None:
    """Return whether the newest germination test of a lot is really under its label; None: there is no such test."""
    known = lots.get((lot or "").casefold())
    tests = [test for test in known.tests if test.label_pct is not None] if known else []
    if not tests:
        return None
    newest = tests[-1]
    found = judge(newest.germinated, newest.seeds, newest.label_pct)
    return bool(found.differs) and found.share_pct < (newest.label_pct or 0.0)
