"""The look-back on one batch, as values: what it lived through, beside others, and what that supports; pure.

Readings come through functions that are handed in: the batch's own as they are, those of the batches beside it rolled
up. `dashboards.lookbackwords` says it in words, `dashboards.lookbackpage` makes the page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from alerts.outbox import OutboxRow
from monitor.batches import Batch
from monitor.comparison import Compared, compare
from monitor.errors import RefusedError
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind, effective
from monitor.lots import Lot, lots_of
from monitor.outcomes import Judged
from monitor.profiles import Profile
from monitor.review import BatchFacts, Nudged
from monitor.reviewfacts import facts_of
from monitor.reviewrecord import Reader, main_part, record_of
from monitor.scalesetup import setups_of
from monitor.suspects import Model, Suspect, suspects_of
from monitor.witnesses import witness_of

MOST = 20
"""So many batches are set beside one at most. Ours."""
_NEIGHBOURS = 10
_DEED_OF = {
    "drain": EntryKind.DRAINED,
    "look": EntryKind.LOOKED,
    "uncover": EntryKind.UNCOVERED,
    "end blackout": EntryKind.LIGHTS_ON,
    "water": EntryKind.WATERED,
    "harvest": EntryKind.HARVESTED,
    "clear and wash": EntryKind.CLEANED,
}
_SAME_ASKING = timedelta(hours=36)


class Beside(StrEnum):
    """Why a batch is set beside another."""

    SHELF = "same crop, same shelf, overlapping days"
    ROOM = "same crop, overlapping days"
    OTHER_SHELF = "another crop on the same shelf, overlapping days"
    OTHER = "another crop in the room, overlapping days"
    EARLIER = "the same crop before"


@dataclass(frozen=True, slots=True, kw_only=True)
class Beneath:
    """One batch that is set beside the one that is looked back on.

    Attributes:
        why: Why it is.
        facts: What it lived through, from rolled-up readings.
    """

    why: Beside
    facts: BatchFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBack:
    """The look-back on one batch.

    Attributes:
        farm: The farm.
        now: When it was made.
        facts: What the batch lived through.
        beside: The batches beside it, siblings first.
        compared: Each factor beside the good ones'.
        suspects: Causes with their chances, most likely first.
        held: Reasons for which it is on hold; empty: it is not.
    """

    farm: Farm
    now: datetime
    facts: BatchFacts
    beside: tuple[Beneath, ...]
    compared: tuple[Compared, ...]
    suspects: tuple[Suspect, ...]
    held: tuple[str, ...] = ()

    @property
    def good(self) -> tuple[Beneath, ...]:
        """Return the batches beside it that came good."""
        return tuple(each for each in self.beside if each.facts.record.outcome.judged is Judged.GOOD)

    @property
    def good_of_crop(self) -> tuple[Beneath, ...]:
        """Return those of them that are of the same crop."""
        crop = self.facts.record.profile.id
        return tuple(each for each in self.good if each.facts.record.profile.id == crop)


def look_back(
    farm: Farm,
    profiles: Mapping[str, Profile],
    entries: Sequence[Entry],
    batches: Mapping[str, Batch],
    asked: str,
    model: Model,
    *,
    read: Reader,
    read_rolled: Reader,
    now: datetime,
    sent: Sequence[OutboxRow] = (),
) -> LookBack:
    """Return the look-back on a batch.

    Args:
        farm: The farm.
        profiles: Crop profiles by id.
        entries: The whole ledger.
        batches: Its batches.
        asked: Which batch.
        model: The model of what spoils batches.
        read: Usable readings as they are, for the batch itself.
        read_rolled: Usable readings rolled up, for the batches beside it.
        now: The instant of asking.
        sent: Messages to people.

    Raises:
        RefusedError: It was not sown yet, or its crop has no profile any more.
    """
    batch = batches[asked]
    profile = profiles.get(batch.crop)
    if batch.sown_at is None or batch.sown_at > now:
        raise RefusedError(f"batch {asked} was not sown yet; there is nothing to look back on")
    if profile is None:
        raise RefusedError(f"there is no profile of {batch.crop} any more; put it back into the farm's profiles")
    setups = setups_of(entries, farm.sensors)
    lots = {lot.id.casefold(): lot for lot in lots_of(effective(entries))}
    own = facts_of(
        record_of(farm, profile, batch, read, now=now, nudges=nudges_of(batch, sent), setups=setups), farm.zone
    )
    beside = []
    for why, other in beside_of(farm, batches, batch, now):
        if other.crop in profiles:
            nudges = nudges_of(other, sent)
            record = record_of(farm, profiles[other.crop], other, read_rolled, now=now, nudges=nudges, setups=setups)
            beside.append(Beneath(why=why, facts=facts_of(record, farm.zone)))
    return _judged(farm, model, own, beside, lots, now)


def _judged(
    farm: Farm, model: Model, own: BatchFacts, beside: Sequence[Beneath], lots: Mapping[str, Lot], now: datetime
) -> LookBack:
    """Return the look-back on facts that are gathered."""
    witnesses = [witness_of(each.facts, lots) for each in beside]
    good = [
        each.facts
        for each in beside
        if each.facts.record.outcome.judged is Judged.GOOD and each.facts.record.profile.id == own.record.profile.id
    ]
    return LookBack(
        farm=farm,
        now=now,
        facts=own,
        beside=tuple(beside),
        compared=compare(own, good),
        suspects=suspects_of(model, witness_of(own, lots), witnesses),
        held=tuple(hold.why for hold in own.record.batch.holds),
    )


def beside_of(farm: Farm, batches: Mapping[str, Batch], batch: Batch, now: datetime) -> list[tuple[Beside, Batch]]:
    """Return the batches to set beside one: siblings that shared its days, nearest first, then earlier ones."""
    begin, end = _life(batch, now)
    part = main_part(batch)
    spot = part.spot if part else None
    siblings: list[tuple[int, float, Beside, Batch]] = []
    earlier: list[tuple[float, Batch]] = []
    for other in batches.values():
        if other.id == batch.id or other.sown_at is None or other.sown_at > now:
            continue
        first, last = _life(other, now)
        overlap = (min(end, last) - max(begin, first)) / timedelta(hours=1)
        apart = abs((other.sown_at - begin) / timedelta(hours=1))
        if overlap > 0:
            why = _why(farm, batch, other, spot)
            siblings.append(([*Beside].index(why), apart, why, other))
        elif other.crop == batch.crop and last <= begin:
            earlier.append((apart, other))
    near = [(why, other) for _, _, why, other in sorted(siblings, key=lambda each: each[:2])]
    before = [(Beside.EARLIER, other) for _, other in sorted(earlier, key=lambda each: each[0])]
    kept = near[:_NEIGHBOURS]
    kept += before[: MOST - len(kept)]
    return kept + near[_NEIGHBOURS : _NEIGHBOURS + MOST - len(kept)]


def _life(batch: Batch, now: datetime) -> tuple[datetime, datetime]:
    """Return when a batch was sown, and when its last tray left (or now)."""
    ended = [part.ended_at for part in batch.parts if part.ended_at is not None]
    last = max(ended) if batch.is_over and ended else now
    return batch.sown_at or now, min(last, now)


def _why(farm: Farm, batch: Batch, other: Batch, spot: str | None) -> Beside:
    """Return why a sibling is set beside a batch."""
    part = main_part(other)
    there = part.spot if part else None
    same_shelf = bool(spot and there and (shelf_of(farm, spot) == shelf_of(farm, there)))
    if other.crop == batch.crop:
        return Beside.SHELF if same_shelf else Beside.ROOM
    return Beside.OTHER_SHELF if same_shelf else Beside.OTHER


def shelf_of(farm: Farm, spot: str) -> str:
    """Return the shelf that holds a place, or the place itself."""
    chain = farm.places.chain(spot)
    return next((each for each in chain if each in farm.places and farm.places[each].kind.value == "shelf"), spot)


def nudges_of(batch: Batch, sent: Sequence[OutboxRow]) -> tuple[Nudged, ...]:
    """Return what was asked of people about a batch, each asking once, with what came of it.

    A task's key holds the batch, what was asked, the phase and the occasion; told twice it is one asking.
    """
    told: dict[str, list[OutboxRow]] = {}
    for row in sorted(sent, key=lambda row: row.made_at):
        for key in row.tasks:
            if key.split("|")[0] == batch.id:
                told.setdefault(key, []).append(row)
    found = []
    for key, rows in told.items():
        task = key.split("|")[1]
        asked_at = rows[0].due_at
        kind = _DEED_OF.get(task)
        deeds = [entry.at for entry in batch.entries if entry.kind is kind and entry.at >= rows[0].made_at]
        again = [other for other in told if other != key and other.split("|")[1] == task]
        until = min((told[other][0].made_at for other in again if told[other][0].made_at > asked_at), default=None)
        done = min((at for at in deeds if until is None or at < until + _SAME_ASKING), default=None)
        puts_off = [
            entry.at
            for entry in batch.entries
            if entry.kind is EntryKind.NOT_YET
            and entry.at >= rows[0].made_at
            and str(entry.data.get("task")) in (task, key)
        ]
        found.append(
            Nudged(
                task=task,
                asked_at=asked_at,
                times=len({row.made_at for row in rows}),
                was_late=any(row.was_late for row in rows),
                done_at=done,
                put_off_at=min(puts_off, default=None),
            )
        )
    return tuple(sorted(found, key=lambda nudge: nudge.asked_at))
