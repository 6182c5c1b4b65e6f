"""Where trays of a batch stood, in which phase, from when until when, followed back through their moves; pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from monitor.batches import Batch, Part
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind
from monitor.phases import PhaseSpan, spans
from monitor.profiles import Band, PhaseKind, Profile, Where
from monitor.reach import is_covered
from monitor.readings import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Trays in one phase at one place.

    Attributes:
        begins_at: From when.
        ends_at: Until when.
        spot: Where; None: nobody said.
        span: Their phase.
    """

    begins_at: datetime
    ends_at: datetime
    spot: str | None
    span: PhaseSpan


def begun(
    batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm
) -> list[tuple[PhaseSpan, datetime, datetime]]:
    """Return the phases that have begun, each with its begin and its end, in order."""
    line = [
        (span, span.began_at)
        for span in spans(batch, part, profile, now=until, zone=farm.zone)
        if span.began_at is not None and span.began_at <= until
    ]
    ends = [begin for _, begin in line[1:]] + [until]
    return [
        (span, begin, end) for (span, begin), end in zip(line, ends, strict=True) if end > begin or span is line[-1][0]
    ]


def places_of(
    batch: Batch, part: Part | None, begins_at: datetime, ends_at: datetime
) -> list[tuple[datetime, datetime, str | None]]:
    """Return where a part stood, oldest first, as (from, until, place), followed back from where it stands.

    Args:
        batch: The batch.
        part: The part; None: nothing is known.
        begins_at: From when it is asked.
        ends_at: Until when.
    """
    wanted = part.spot if part else None
    put = [(entry.at, to, entry.spot) for entry in batch.entries if (to := _put(entry)) is not None]
    found: list[tuple[datetime, datetime, str | None]] = []
    until = ends_at
    for place in range(len(put) - 1, -1, -1):
        at, to, was = put[place]
        if to != wanted or not begins_at < at < until:
            continue
        earlier = was if was is not None and was != to else (put[place - 1][1] if place else None)
        if earlier is None or earlier == wanted:
            continue
        found.append((at, until, wanted))
        wanted, until = earlier, at
    return [*reversed([*found, (begins_at, until, wanted)])]


def _put(entry: Entry) -> str | None:
    """Return the place to which an entry put trays, or None."""
    if entry.kind in (EntryKind.SOWN, EntryKind.STACKED):
        return entry.spot
    if entry.kind in (EntryKind.UNCOVERED, EntryKind.LIGHTS_ON, EntryKind.MOVED):
        to = entry.data.get("to")
        return None if to is None else str(to)
    return None


def stretches_of(batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm) -> Iterator[Stretch]:
    """Yield the stretches of time in which a part was in one phase at one place, oldest first."""
    line = begun(batch, part, profile, until, farm)
    if not line:
        return
    placed = places_of(batch, part, line[0][1], until)
    for span, begin, end in line:
        for since, to, spot in placed:
            first, last = max(begin, since), min(end, to)
            if first < last:
                yield Stretch(begins_at=first, ends_at=last, spot=spot, span=span)


def bands_of(stretch: Stretch, profile: Profile, quantity: Quantity) -> tuple[Band, ...]:
    """Return what a phase asks of a quantity where the trays stand; past the window, what the window asks."""
    kind = PhaseKind.HARVEST if stretch.span.kind is PhaseKind.OVERGROWN else stretch.span.kind
    plan = profile.plan(kind)
    if plan is None:
        return ()
    damp = quantity is Quantity.HUMIDITY and is_covered(stretch.span)
    return tuple(band for band in plan.bands.get(quantity, ()) if not (damp and band.where is Where.ROOM_AIR))[:1]
