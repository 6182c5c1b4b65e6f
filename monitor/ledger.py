"""What people did and saw, as entries that are only ever added.

A correction is a new entry that names the one it replaces; a withdrawal is a correction of kind
WITHDRAWN. What holds is read by ``effective``: corrected entries replaced, ordered by instant.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any


class EntryKind(StrEnum):
    """What was done or seen."""

    SOAKED = "soaked"
    DRAINED = "drained"
    SOWN = "sown"
    STACKED = "stacked"
    LOOKED = "looked"
    UNCOVERED = "uncovered"
    LIGHTS_ON = "lights on"
    WATERED = "watered"
    WEIGHED = "weighed"
    LIFTED = "lifted"
    MOVED = "moved"
    NOTED = "noted"
    HARVESTED = "harvested"
    DELIVERED = "delivered"
    DISCARDED = "discarded"
    CLEANED = "cleaned"
    PROMISED = "promised"
    HELD = "held"
    RELEASED = "released"
    LOT = "seed lot"
    GERMINATED = "germination test"
    COVER = "cover"
    RECORDED = "recorded"
    OUTCOME = "outcome"
    NOT_YET = "not yet"
    CALIBRATED = "calibrated"
    REFUSED = "refused"
    HEARD = "heard"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "back in service"
    ACCEPTED = "accepted"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """An entry as a person gives it, before the ledger has numbered it.

    Attributes:
        kind: What was done.
        at: When it was done (aware UTC).
        by: Who did it: a person's id.
        batch: The batch that it concerns, or None (cleaning a shelf, say).
        trays: How many trays of the batch; None: all that it can concern.
        spot: Where those trays stand (which part of the batch is meant), or the place that was cleaned;
            None: wherever they stand. For SOWN and STACKED, where they were put.
        stack: The pile that they lie in, e.g. ``S3``; for STACKED, the pile that they were put in.
        data: What else belongs to the kind:
            SOAKED: crop, seed_g, lot, supplier, treated, trays_planned.
            SOWN: crop, tray_kind, seed_g_per_tray, lot, supplier, treated (true, false or null: not said), misted.
            STACKED: weight_kg, order (1 is the top), covered_only (true: cover without weight).
            UNCOVERED: to (spot that they went to), early (days before earliest; set by the program), why.
            LIGHTS_ON: to (spot).
            WATERED: ml_per_tray. WEIGHED: grams, mark (full, dry or none). LIFTED: feel (heavy, right, light).
            MOVED: to (spot). NOTED: text, photo (its name in the folder of photos). LOOKED: text.
            HARVESTED: grams (of all trays named), against_hold. DELIVERED: whom, living, grams, against_hold.
            DISCARDED: why. HELD, RELEASED: lot (or none: the entry's batch is meant), why.
            LOT: lot, crop, supplier, grams, packed_on, use_by, treated (each of them may be null: not said).
            GERMINATED: lot, germinated, seeds, label_pct. COVER: person, standin, from, to (local days), note.
            RECORDED: what (cold-store temperature, water test, hand-over), temp_c or text.
            OUTCOME: stand and evenness (0 to 5), off_types_pct, signs (words of monitor.outcomes.SIGNS), went (cut,
            living or kept), why, photo (its name in the folder of photos); each of them may be missing. SOWN may carry
            medium (which bag of it).
            CLEANED: with. NOT_YET: task (its key), until (local day or null: the next round), promise (its id, where
            it puts off a task of a promise).
            PROMISED (no batch; the trays are those of the entry): promise (its id), crop, for (local day), whom,
            every_days (or null: once), living; a change says all of it again with from (local day); a single day that
            differs: promise, only (local day; no trays: none); an end: promise, ends (local day).
            CALIBRATED: sensor, what (``scale`` or ``sensor``), and what belongs to it. REFUSED: proposal, why.
            HEARD, UNSHELVED: alarm (its key). SHELVED: alarm, until, why. OUT_OF_SERVICE: sensor, until, why.
            IN_SERVICE: sensor. ACCEPTED: root (of the findings that are lived with), until, why. WITHDRAWN: why. A deed
            that was first read from a scale keeps ``proposal``, the key of what was read. What one command wrote
            together keeps ``together``, a number that they share. What was tapped on a page keeps ``tap``, the tap's
            own key, ``asked``, the key of the task that it answers, and ``put_back``, the tap that it undoes.
        corrects: Id of the entry that this one replaces, or None.
    """

    kind: EntryKind
    at: datetime
    by: str
    batch: str | None = None
    trays: int | None = None
    spot: str | None = None
    stack: str | None = None
    data: Mapping[str, Any] = field(default_factory=dict)
    corrects: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry(NewEntry):
    """An entry as the ledger keeps it.

    Attributes:
        id: Its number in the ledger, ascending in the order of recording.
        recorded_at: When it was written down (aware UTC).
    """

    id: int
    recorded_at: datetime


def effective(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries that hold: the newest correction of each, withdrawn ones left out.

    An entry that corrects keeps its own id; it takes the place of the corrected one. The result is ordered
    by the instant of the deed, then by id. A correction may itself be corrected.
    """
    rows = list(entries)
    replaced = {row.corrects for row in rows if row.corrects is not None}
    standing = [row for row in rows if row.id not in replaced and row.kind is not EntryKind.WITHDRAWN]
    return tuple(sorted(standing, key=lambda row: (row.at, row.id)))
