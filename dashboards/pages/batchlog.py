"""What was entered about a batch, in words, with what became of each entry; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from alerts.findings import Tick
from monitor.amounts import say_g, say_ml, say_time, say_trays
from monitor.batches import Batch
from monitor.ledger import Entry, EntryKind, effective

_HIDDEN = ("together", "tap", "proposal", "crop", "photo", "task", "misted", "order", "covered_only", "put_back")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """One entry of the log.

    Attributes:
        number: Its number in the ledger.
        when: When it was done.
        what: What was done, in words.
        by: Who entered it.
        photo: Name of its photo; empty: none.
        is_gone: It was replaced or withdrawn.
        note: What became of it, or what it replaced; empty: nothing.
        asks: What a correction may change: ``trays``, ``grams``, ``ml``.
    """

    number: int
    when: str
    what: str
    by: str
    photo: str
    is_gone: bool
    note: str
    asks: tuple[str, ...]


def log_lines(batch: Batch, tick: Tick, entries: Sequence[Entry]) -> Iterable[LogLine]:
    """Yield the batch's entries, newest first; what was replaced or withdrawn stays in sight."""
    holding = {entry.id for entry in effective(entries)}
    replaced_by = {entry.corrects: entry for entry in entries if entry.corrects is not None}
    for entry in sorted(entries, key=lambda each: (each.at, each.id), reverse=True):
        if entry.batch != batch.id or entry.kind is EntryKind.WITHDRAWN:
            continue
        gone = entry.id not in holding
        note = f"corrects number {entry.corrects}" if entry.corrects is not None else ""
        if gone:
            later = replaced_by.get(entry.id)
            why = str(later.data.get("why") or later.data.get("corrected_because") or "") if later else ""
            what = "withdrawn" if later is None or later.kind is EntryKind.WITHDRAWN else f"see number {later.id}"
            who = f" by {later.by}" if later else ""
            note = f"{what}{who}{f': {why}' if why else ''}"
        yield LogLine(
            number=entry.id,
            when=say_time(entry.at, tick.farm.zone),
            what=say_entry(entry, tick),
            by=entry.by,
            photo=str(entry.data.get("photo") or ""),
            is_gone=gone,
            note=note,
            asks=() if gone else _asks(entry),
        )


def _asks(entry: Entry) -> tuple[str, ...]:
    """Return what a correction of an entry may change."""
    if entry.kind in (EntryKind.HELD, EntryKind.RELEASED, EntryKind.NOT_YET, EntryKind.REFUSED):
        return ()
    found = [] if entry.kind in (EntryKind.SOAKED, EntryKind.DRAINED, EntryKind.NOTED) else ["trays"]
    if entry.kind in (EntryKind.HARVESTED, EntryKind.WEIGHED):
        found.append("grams")
    if entry.kind is EntryKind.WATERED:
        found.append("ml")
    return tuple(found)


def say_entry(entry: Entry, tick: Tick) -> str:
    """Return what an entry says, in words."""
    farm, data = tick.farm, dict(entry.data)
    said = [entry.kind.value]
    if entry.trays:
        said.append(say_trays(entry.trays))
    if entry.spot:
        said.append(farm.places.name(entry.spot))
    if entry.stack:
        said.append(f"pile {entry.stack}")
    grams, ml, to = data.pop("grams", None), data.pop("ml_per_tray", None), data.pop("to", None)
    if grams:
        said.append(say_g(float(grams), farm.units))
    if ml:
        said.append(f"{say_ml(float(ml), farm.units)} each")
    if to:
        said.append(f"to {farm.places.name(str(to))}")
    plain = {"text": "", "why": "", "feel": "", "mark": "", "whom": "to ", "weight_kg": "weight kg ", "lot": "lot "}
    said += [f"{plain[key]}{data[key]}" for key in plain if data.get(key) not in (None, "", False)]
    known = (*plain, *_HIDDEN)
    said += [
        f"{key.replace('_', ' ')} {value}"
        for key, value in data.items()
        if key not in known and value not in (None, "", False)
    ]
    return ", ".join(said)


def last_words(batch: Batch, tick: Tick, answer: Sequence[Entry]) -> str:
    """Return what whoever looks entered last, if it concerns this batch."""
    if not any(entry.batch == batch.id for entry in answer):
        return ""
    others = sorted({entry.batch for entry in answer if entry.batch and entry.batch != batch.id})
    also = f" (and of batch {', '.join(others)})" if others else ""
    mine = [say_entry(entry, tick) for entry in answer if entry.batch == batch.id]
    return f"{'; '.join(mine)}{also}"
