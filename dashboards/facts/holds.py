"""Holds as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from monitor.batches import Batch
from monitor.holding import seed_left_g
from monitor.holds import GoneOut, Hold, StillHere, ThrownAway, gone_out, reaches, still_here, thrown_away
from monitor.ledger import Entry


def hold_json(hold: Hold) -> dict[str, Any]:
    """Return a hold as the documented JSON."""
    return {
        "entry": hold.id,
        "lot": hold.lot,
        "batch": hold.batch,
        "why": hold.why,
        "by": hold.by,
        "at": hold.at.isoformat(),
        "ended_at": hold.ended_at.isoformat() if hold.ended_at else None,
        "ended_by": hold.ended_by or None,
        "ended_why": hold.ended_why or None,
    }


def _gone_json(gone: GoneOut) -> dict[str, Any]:
    """Return a delivery as the documented JSON."""
    return {
        "batch": gone.batch,
        "crop": gone.crop,
        "at": gone.at.isoformat(),
        "whom": gone.whom or None,
        "trays": gone.trays,
        "grams": gone.grams,
        "living": gone.living,
        "entry": gone.entry,
    }


def _thrown_json(each: ThrownAway) -> dict[str, Any]:
    """Return a discard as the documented JSON."""
    return {
        "batch": each.batch,
        "crop": each.crop,
        "at": each.at.isoformat(),
        "trays": each.trays,
        "why": each.why,
        "by": each.by,
        "entry": each.entry,
    }


def _here_json(here: StillHere) -> dict[str, Any]:
    """Return trays that have not left as the documented JSON."""
    return {"batch": here.batch, "crop": here.crop, "trays": here.trays, "spot": here.spot, "cut": here.is_cut}


def reach_json(hold: Hold, batches: Mapping[str, Batch], entries: Sequence[Entry]) -> dict[str, Any]:
    """Return a hold with all that it reaches as the documented JSON."""
    return {
        **hold_json(hold),
        "batches": [batch.id for batch in batches.values() if reaches(hold, batch)],
        "gone_out": [_gone_json(gone) for gone in gone_out(hold, batches)],
        "thrown_away": [_thrown_json(each) for each in thrown_away(hold, batches)],
        "still_here": [_here_json(here) for here in still_here(hold, batches)],
        "seed_left_g": seed_left_g(hold, entries),
    }


def holds_facts(holds: Iterable[Hold], batches: Mapping[str, Batch], entries: Sequence[Entry]) -> dict[str, Any]:
    """Return holds, each with what it reaches."""
    return {"schema": "traywarden.holds/1", "holds": [reach_json(each, batches, entries) for each in holds]}
