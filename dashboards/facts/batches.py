"""Batches, their days and their entries as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dashboards.facts.holds import hold_json
from dashboards.facts.measured import Measured, measured_json
from monitor.batches import Batch, Fate, Part
from monitor.clock import day_number
from monitor.ledger import Entry
from monitor.phases import PhaseSpan, phase_now
from monitor.profiles import Profile
from monitor.verbs import next_words


def span_json(span: PhaseSpan) -> dict[str, Any]:
    """Return a phase as the documented JSON."""
    window = span.window
    return {
        "phase": span.kind.value,
        "manner": span.manner.value if span.manner else None,
        "begins_on": span.begins_on.isoformat(),
        "began_at": span.began_at.isoformat() if span.began_at else None,
        "ends_on": span.ends_on.isoformat() if span.ends_on else None,
        "known_by": span.standing.value,
        "move": span.move.value if span.move else None,
        "earliest_on": window.earliest.isoformat() if window else None,
        "usual_on": window.usual.isoformat() if window else None,
        "latest_on": window.latest.isoformat() if window else None,
    }


def _part_json(batch: Batch, part: Part, profile: Profile | None, now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    """Return a part as the documented JSON."""
    standing = part.fate is Fate.STANDING and profile is not None
    span = phase_now(batch, part, profile, now=now, zone=zone) if standing and profile else None
    return {
        "trays": part.trays,
        "fate": part.fate.value,
        "spot": part.spot,
        "stack": part.stack,
        "phase": span_json(span) if span else None,
        "watered_at": part.watered_at.isoformat() if part.watered_at else None,
        "ended_at": part.ended_at.isoformat() if part.ended_at else None,
        "lifted_early": part.lifted_early,
    }


def batch_json(batch: Batch, profile: Profile | None, now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    """Return a batch as the documented JSON."""
    return {
        "id": batch.id,
        "crop": batch.crop,
        "name": profile.name if profile else batch.crop,
        "soaked_at": batch.soaked_at.isoformat() if batch.soaked_at else None,
        "sown_at": batch.sown_at.isoformat() if batch.sown_at else None,
        "day": day_number(now, batch.sown_at, zone) if batch.sown_at else None,
        "lot": batch.lot,
        "supplier": batch.supplier,
        "treated": batch.treated,
        "tray_kind": batch.tray_kind,
        "seed_g_per_tray": batch.seed_g_per_tray,
        "sown": batch.sown,
        "standing": batch.trays(Fate.STANDING),
        "cut": batch.trays(Fate.CUT),
        "delivered": batch.trays(Fate.DELIVERED),
        "discarded": batch.trays(Fate.DISCARDED),
        "parts": [_part_json(batch, part, profile, now, zone) for part in batch.parts],
        "on_hold": [hold_json(hold) for hold in batch.holds],
        "next": list(next_words(batch, profile, now=now, zone=zone)) if profile else [],
    }


def batches_facts(
    batches: Iterable[Batch], profiles: Mapping[str, Profile], now: datetime, zone: ZoneInfo
) -> dict[str, Any]:
    """Return batches as the documented JSON."""
    rows = [batch_json(each, profiles.get(each.crop), now, zone) for each in batches]
    return {"schema": "traywarden.batches/1", "batches": rows}


def entry_json(entry: Entry) -> dict[str, Any]:
    """Return an entry as the documented JSON."""
    return {
        "id": entry.id,
        "kind": entry.kind.value,
        "at": entry.at.isoformat(),
        "recorded_at": entry.recorded_at.isoformat(),
        "by": entry.by,
        "batch": entry.batch,
        "trays": entry.trays,
        "spot": entry.spot,
        "stack": entry.stack,
        "corrects": entry.corrects,
        "data": dict(entry.data),
    }


def batch_facts(
    batch: Batch,
    profile: Profile | None,
    line: Iterable[PhaseSpan],
    standing: Iterable[tuple[str | None, Iterable[Measured]]],
    now: datetime,
    zone: ZoneInfo,
) -> dict[str, Any]:
    """Return one batch's whole story as the documented JSON.

    Args:
        batch: The batch.
        profile: Its crop's profile, where there is one.
        line: Its phases, behind and ahead.
        standing: What the sensors say of its standing parts, by place.
        now: The instant.
        zone: The farm's zone.
    """
    return {
        "schema": "traywarden.batch/1",
        "batch": batch_json(batch, profile, now, zone),
        "days": [span_json(span) for span in line],
        "measured": [{"spot": spot, "now": [measured_json(each) for each in facts]} for spot, facts in standing],
        "entries": [entry_json(entry) for entry in batch.entries],
    }
