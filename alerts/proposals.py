"""What the scales saw being done that nobody has entered: offered for a word, beside the ledger; pure.

A person's entry wins: what agrees with one within half an hour is that entry. What was confirmed or refused is never
offered again; the answer stands in the ledger.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from alerts.answers import short_key
from alerts.findings import Tick
from alerts.standing import standing_parts
from alerts.trayfacts import ScaleOf
from alerts.watering import scale_of
from monitor import desk
from monitor.amounts import say_g, say_ml, say_time
from monitor.batches import Batch, Part
from monitor.errors import NotFoundError
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.readings import from_ms
from monitor.weightevents import AGREES_WITHIN_MS, Deed, WeightEvent

OFFERED_FOR = timedelta(days=3)
_KINDS = {
    Deed.WATERED: EntryKind.WATERED,
    Deed.WEIGHT_ON: EntryKind.STACKED,
    Deed.WEIGHT_OFF: EntryKind.UNCOVERED,
    Deed.CUT: EntryKind.HARVESTED,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A deed read from a scale, with the entry that a confirmation would write.

    Attributes:
        key: Four letters or digits by which a person names it.
        deed: What it looks like.
        at: When it was done.
        batch: Batch id.
        sensor: The scale that saw it.
        kind: The entry that it would become.
        trays: How many trays the entry would mean; None: all that it can.
        spot: Where they stand.
        data: What the entry would hold.
        says: What was seen, one sentence.
    """

    key: str
    deed: Deed
    at: datetime
    batch: str
    sensor: str
    kind: EntryKind
    trays: int | None
    spot: str | None
    data: dict[str, Any]
    says: str


def key_of(sensor: str, event: WeightEvent) -> str:
    """Return four letters and digits that stay the same for what one scale saw at one minute."""
    return short_key(f"{sensor}|{event.deed.value}|{event.at_ms // 60_000}")


def proposals(tick: Tick, answered: Iterable[Entry]) -> tuple[Proposal, ...]:
    """Return what the scales saw in the last days that no entry tells, oldest first.

    Args:
        tick: The moment.
        answered: All entries of the ledger; those that confirm or refuse a proposal carry its key.
    """
    known = {str(entry.data.get("proposal")) for entry in answered if entry.data.get("proposal")}
    found: dict[str, Proposal] = {}
    for stand, part in standing_parts(tick):
        scale = scale_of(stand.batch, part, stand.profile, stand.span, tick)
        if scale is None:
            continue
        for proposal in _of_scale(scale, stand.batch, part, tick):
            if proposal.key not in known:
                found.setdefault(proposal.key, proposal)
    return tuple(sorted(found.values(), key=lambda proposal: proposal.at))


def _of_scale(scale: ScaleOf, batch: Batch, part: Part, tick: Tick) -> Iterator[Proposal]:
    """Yield what one scale saw that no entry tells."""
    for event in scale.events:
        kind = _KINDS.get(event.deed)
        at = from_ms(event.at_ms)
        if kind is None or tick.now - at > OFFERED_FOR or _is_entered(kind, event, batch):
            continue
        if kind is EntryKind.UNCOVERED and (part.uncovered_at or part.lights_at):
            continue
        if kind is EntryKind.STACKED and part.covered_at is not None:
            continue
        yield _proposal(scale, event, kind, batch, part, tick)


def _is_entered(kind: EntryKind, event: WeightEvent, batch: Batch) -> bool:
    """Tell whether a person entered the same deed within half an hour."""
    return any(
        entry.kind is kind and abs(entry.at.timestamp() * 1000 - event.at_ms) <= AGREES_WITHIN_MS
        for entry in batch.entries
    )


def _proposal(scale: ScaleOf, event: WeightEvent, kind: EntryKind, batch: Batch, part: Part, tick: Tick) -> Proposal:
    """Return one proposal."""
    on_it = scale.sensor.trays_on_it
    grams = abs(event.grams) / on_it
    at = from_ms(event.at_ms)
    units, zone = tick.farm.units, tick.farm.zone
    where = tick.farm.places.name(scale.sensor.spot)
    data: dict[str, Any] = {}
    trays: int | None = None
    if kind is EntryKind.WATERED:
        data = {"ml_per_tray": round(grams)}
        what = f"{say_ml(grams, units)} poured into the tray"
    elif kind is EntryKind.UNCOVERED:
        what = "the weight taken off the pile: uncovered?"
    elif kind is EntryKind.STACKED:
        data = {"weight_kg": round(abs(event.grams) / 1000, 1), "order": 1, "covered_only": False}
        what = f"{say_g(abs(event.grams), units)} laid on: stacked?"
    else:
        trays = on_it
        data = {"grams": round(grams * on_it)}
        what = f"{say_g(grams * on_it, units)} cut off"
    return Proposal(
        key=key_of(scale.sensor.id, event),
        deed=event.deed,
        at=at,
        batch=batch.id,
        sensor=scale.sensor.id,
        kind=kind,
        trays=trays,
        spot=part.spot,
        data=data,
        says=f"{say_time(at, zone)}, batch {batch.id} at {where}: {what}",
    )


def seen_facts(found: Iterable[Proposal]) -> dict[str, Any]:
    """Return what waits for a word as the documented JSON."""
    return {
        "schema": "traywarden.seen/1",
        "seen": [
            {
                "key": each.key,
                "deed": each.deed.value,
                "at": each.at.isoformat(),
                "batch": each.batch,
                "scale": each.sensor,
                "would_be": each.kind.value,
                "data": dict(each.data),
            }
            for each in found
        ],
    }


def named(found: tuple[Proposal, ...], keys: Iterable[str]) -> list[Proposal]:
    """Return the proposals that a person named; the one word ``all`` means all.

    Raises:
        NotFoundError: One of the keys is none of them.
    """
    said = list(keys)
    if len(said) == 1 and said[0].casefold() == "all":
        return list(found)
    by_key = {proposal.key.casefold(): proposal for proposal in found}
    for key in said:
        if key.casefold() not in by_key:
            waiting = f"there are: {', '.join(proposal.key for proposal in found)}" if found else "nothing waits"
            raise NotFoundError(f"the scales saw nothing called {key!r} that waits for a word; {waiting}")
    return [by_key[key.casefold()] for key in said]


def confirm_deed(chosen: Iterable[Proposal], by: str) -> desk.Deed:
    """Return what the scales saw as entries, with the time at which they saw it."""
    listed = list(chosen)
    entries = [
        NewEntry(
            kind=each.kind,
            at=each.at,
            by=by,
            batch=each.batch,
            trays=each.trays,
            spot=each.spot,
            data={**each.data, "proposal": each.key},
        )
        for each in listed
    ]
    return desk.Deed(entries=tuple(entries), said=tuple(f"Noted: {each.says}." for each in listed))


def refuse_deed(chosen: Iterable[Proposal], by: str, at: datetime, why: str) -> desk.Deed:
    """Return that what the scales saw was something else."""
    listed = list(chosen)
    entries = [
        NewEntry(kind=EntryKind.REFUSED, at=at, by=by, batch=each.batch, data={"proposal": each.key, "why": why})
        for each in listed
    ]
    return desk.Deed(entries=tuple(entries), said=tuple(f"Noted: not so: {each.says}." for each in listed))
