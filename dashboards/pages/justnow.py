"""What was answered in the last minute, and how it is taken back, or put back again; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import takewhile

from alerts.findings import Tick
from dashboards.pages.taps import say_entries
from monitor.errors import RefusedError
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.undoing import taken_back

UNDO_FOR = timedelta(minutes=1)
"""How long a tap can be taken back by a tap; after that by a correction in the book."""
_GRACE = timedelta(seconds=10)
"""What a slow line may cost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JustNow:
    """One answer of the last minute.

    Attributes:
        tap: The key of the tap that gave it.
        says: What it was, in words.
        by: Who gave it.
        is_back: It took another one back; the tap on it puts that in again.
        is_own: The person who looks gave it, and may take it back.
        until_s: How long that is possible still. [s]
    """

    tap: str
    says: str
    by: str
    is_back: bool
    is_own: bool
    until_s: int


def answers_since(entries: Sequence[Entry], since: datetime) -> dict[str, tuple[Entry, ...]]:
    """Return the answers given by taps that were recorded since an instant, oldest first, by tap."""
    found: dict[str, list[Entry]] = {}
    for entry in reversed(entries):
        if entry.recorded_at < since:
            break
        tap = entry.data.get("tap")
        if tap:
            found.setdefault(str(tap), []).append(entry)
    return {tap: tuple(reversed(group)) for tap, group in reversed(found.items())}


def just_now(entries: Sequence[Entry], tick: Tick, *, person: str | None) -> tuple[JustNow, ...]:
    """Return what was answered in the last minute and holds, newest first; what was taken back, as such.

    Only the end of the ledger is looked at: what corrects an answer of the last minute is younger still.
    """
    since = tick.now - UNDO_FOR
    groups = answers_since(entries, since)
    if not groups:
        return ()
    recent = tuple(takewhile(lambda entry: entry.recorded_at >= since, reversed(entries)))
    overtaken = {entry.corrects for entry in recent}
    again = {entry.data.get("put_back") for entry in recent if entry.id not in overtaken}
    rows = []
    for tap, group in groups.items():
        is_back = all(entry.kind is EntryKind.WITHDRAWN for entry in group)
        if any(entry.id in overtaken for entry in group) or (is_back and tap in again):
            continue
        told: Sequence[NewEntry] = _withdrawn(group, entries) if is_back else group
        left = group[0].recorded_at + UNDO_FOR - tick.now
        rows.append(
            JustNow(
                tap=tap,
                says=say_entries(told, tick),
                by=group[0].by,
                is_back=is_back,
                is_own=group[0].by == person,
                until_s=max(1, round(left.total_seconds())),
            )
        )
    return tuple(reversed(rows))


def _withdrawn(group: Iterable[Entry], entries: Sequence[Entry]) -> list[Entry]:
    """Return the entries that a group of withdrawals took back, in their order."""
    wanted = {entry.corrects for entry in group}
    return [entry for entry in entries if entry.id in wanted]


def undo_entries(tap: str, entries: Sequence[Entry], *, now: datetime, at: datetime, by: str) -> tuple[NewEntry, ...]:
    """Return the entries that take an answer back, or put in again what was taken back.

    Args:
        tap: The key of the tap whose answer is meant.
        entries: The whole ledger.
        now: The present instant.
        at: When it was tapped.
        by: By whom.

    Raises:
        RefusedError: There is no such answer, it is another person's, or its minute is over.
    """
    group = answers_since(entries, at - UNDO_FOR - _GRACE).get(tap, ())
    if not group:
        raise RefusedError("A tap can be taken back for a minute; later, correct the entry on the batch's own page.")
    if group[0].by != by:
        raise RefusedError(f"That was {group[0].by}'s answer; it is corrected on the batch's own page.")
    if all(entry.kind is EntryKind.WITHDRAWN for entry in group):
        return _put_back(tap, group, entries, by)
    holding = {entry.id for entry in effective(entries)}
    if not all(entry.id in holding for entry in group):
        raise RefusedError("That was taken back already.")
    return taken_back(group, entries, at=now, by=by)


def _put_back(tap: str, group: Iterable[Entry], entries: Sequence[Entry], by: str) -> tuple[NewEntry, ...]:
    """Return what was withdrawn, as new entries at its own instants."""
    if any(entry.data.get("put_back") == tap for entry in effective(entries)):
        raise RefusedError("That was put back already.")
    found = _withdrawn(group, entries)
    own = ("tap", "together", "put_back")
    return tuple(
        NewEntry(
            kind=entry.kind,
            at=entry.at,
            by=by,
            batch=entry.batch,
            trays=entry.trays,
            spot=entry.spot,
            stack=entry.stack,
            data={**{key: value for key, value in entry.data.items() if key not in own}, "put_back": tap},
        )
        for entry in found
    )
