"""What a wish to correct or withdraw an entry comes to: a new entry in its place; nothing is overwritten; pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.amounts import read_g, read_ml
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import Entry, EntryKind, NewEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What was wrong with an entry; None: that was right.

    Attributes:
        at: It was done at the desk's own instant, not at the entry's.
        batch: It concerned this batch.
        trays: It concerned so many trays.
        spot: It concerned the trays here, as a person writes it.
        grams: Harvested or weighed so much, as a person writes it.
        ml: Watered with so much each, as a person writes it.
        why: Why it is corrected.
    """

    at: bool = False
    batch: str | None = None
    trays: int | None = None
    spot: str | None = None
    grams: str | None = None
    ml: str | None = None
    why: str = ""


def entry_of(desk: Desk, number: int) -> Entry:
    """Return an entry by its number.

    Raises:
        NotFoundError: There is none.
    """
    old = next((entry for entry in desk.entries if entry.id == number), None)
    if old is None:
        raise NotFoundError(f"there is no entry {number}; `traywarden batch ID` lists the numbers")
    return old


def withdraw_deed(desk: Desk, number: int, why: str) -> Deed:
    """Return that an entry never happened."""
    old = entry_of(desk, number)
    new = NewEntry(
        kind=EntryKind.WITHDRAWN, at=desk.now, by=desk.by, batch=old.batch, data={"why": why}, corrects=old.id
    )
    return Deed(entries=(new,), said=(f"Noted: entry {old.id} ({old.kind.value}) is withdrawn.",))


def correct_deed(desk: Desk, number: int, change: Change) -> Deed:
    """Return an entry as it should have been.

    Raises:
        RefusedError: Nothing was said to be wrong with it.
    """
    old = entry_of(desk, number)
    said = (change.batch, change.trays, change.spot, change.grams, change.ml)
    if not change.at and all(each is None for each in said):
        raise RefusedError("say what was wrong with it: --at, --batch, --trays, --spot, --grams, --ml, or --withdraw")
    data = dict(old.data)
    if change.grams is not None:
        data["grams"] = read_g(change.grams, desk.farm.units)
    if change.ml is not None:
        data["ml_per_tray"] = read_ml(change.ml, desk.farm.units)
    if change.why:
        data["corrected_because"] = change.why
    new = NewEntry(
        kind=old.kind,
        at=desk.at if change.at else old.at,
        by=desk.by,
        batch=old.batch if change.batch is None else desk.batch(change.batch, EntryKind.NOTED).id,
        trays=old.trays if change.trays is None else change.trays,
        spot=old.spot if change.spot is None else desk.spot(change.spot),
        stack=old.stack,
        data=data,
        corrects=old.id,
    )
    return Deed(entries=(new,), said=(f"Noted: entry {old.id} ({old.kind.value}) is corrected.",))
