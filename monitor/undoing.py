"""What was entered last, as one answer, and the entries that take it back; pure.

Entries that one command wrote together carry ``together`` in their data. Nothing is overwritten: what is taken back
stays in the ledger, withdrawn; a correction that is taken back gives its place to the entry that it had replaced.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from monitor.ledger import Entry, EntryKind, NewEntry, effective


def last_answer(entries: Iterable[Entry], of: str | None = None) -> tuple[Entry, ...]:
    """Return the entries of the newest answer that holds, by the order of recording; empty where there is none.

    Args:
        entries: The whole ledger.
        of: Only what this person entered; None: anybody.
    """
    standing = effective(entries)
    newest = max((each for each in standing if of is None or each.by == of), key=lambda each: each.id, default=None)
    if newest is None:
        return ()
    together = newest.data.get("together")
    if together is None:
        return (newest,)
    written = newest.recorded_at  # two machines may have taken the same number, but not in the same instant
    group = [each for each in standing if each.data.get("together") == together and each.recorded_at == written]
    return tuple(sorted(group, key=lambda each: each.id))


def taken_back(answer: Sequence[Entry], entries: Iterable[Entry], *, at: datetime, by: str) -> tuple[NewEntry, ...]:
    """Return the entries that take an answer back, newest first."""
    by_id = {entry.id: entry for entry in entries}
    return tuple(_back(entry, by_id.get(entry.corrects or 0), at, by) for entry in reversed(answer))


def _back(entry: Entry, before: Entry | None, at: datetime, by: str) -> NewEntry:
    """Return what takes one entry back: a withdrawal, or what it had replaced."""
    if before is None:
        return NewEntry(
            kind=EntryKind.WITHDRAWN, at=at, by=by, batch=entry.batch, data={"why": "taken back"}, corrects=entry.id
        )
    return NewEntry(
        kind=before.kind,
        at=before.at,
        by=before.by,
        batch=before.batch,
        trays=before.trays,
        spot=before.spot,
        stack=before.stack,
        data=before.data,
        corrects=entry.id,
    )
