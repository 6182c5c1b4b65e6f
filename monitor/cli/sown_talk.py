"""What became of a promise's sowing or call, asked for in a dialogue: trays, place and lot, or what was agreed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Protocol

from monitor.batches import Batch
from monitor.cli.desk import Desk
from monitor.errors import RefusedError
from monitor.ledger import EntryKind, NewEntry
from monitor.promises import promises_as_of
from monitor.sowing import Sowing, known_lot, seed_per_tray, sowing_entry


class Ask(Protocol):
    """Asks one thing; Enter takes the default."""

    def __call__(self, text: str, default: str = "") -> str:
        """Return what was typed, without blanks at its ends."""
        ...


def ask_count(ask: Ask, question: str, default: int, *, low: int = 0, high: int | None = None) -> int:
    """Ask for a number of trays.

    Raises:
        RefusedError: It is no number, or out of its span.
    """
    said = ask(question, str(default))
    if not (said.isascii() and said.isdigit()) or int(said) < low or (high is not None and int(said) > high):
        raise RefusedError(f"{said!r}: say a number from {low}" + (f" to {high}" if high is not None else " up"))
    return int(said)


def begun(
    desk: Desk, ask: Ask, crop: str, trays: int, *, at: datetime, by: str, pending: Sequence[NewEntry] = ()
) -> tuple[NewEntry, ...]:
    """Ask how what a promise needs was begun, and return the entry: a soak where the crop is soaked, else a sowing.

    Args:
        desk: Farm, profiles and book.
        ask: Asks.
        crop: Profile id.
        trays: How many were asked for.
        at: When it was done.
        by: By whom.
        pending: Entries of the same dialogue, which may begin batches too.
    """
    profile = desk.profiles[crop]
    name = profile.name.lower()
    numbers = [*desk.batches, *(entry.batch for entry in pending if entry.batch)]
    batch = str(max((int(each) for each in numbers if each.isdigit()), default=0) + 1)
    is_soaked = profile.soak_hours is not None and _is_soaked(ask, name)
    count = ask_count(ask, f"How many trays of {name}?", trays, low=1)
    lot = known_lot(desk, said := ask(f"Seed lot of the {name} (Enter: not said)") or None)
    if is_soaked:
        data = {
            "crop": crop,
            "seed_g": None,
            "lot": lot.id if lot else said,
            "supplier": lot.supplier if lot else None,
            "treated": lot.treated if lot else None,
            "trays_planned": count,
        }
        return (NewEntry(kind=EntryKind.SOAKED, at=at, by=by, batch=batch, data=data),)
    return (_sown(desk, ask, crop, count, batch, said, at=at, by=by),)


def _is_soaked(ask: Ask, crop: str) -> bool:
    """Ask whether seed was put to soak, or sown already.

    Raises:
        RefusedError: The answer is neither.
    """
    said = ask(f"Was the {crop} soaked or sown?", "soaked").casefold()
    if said not in ("soaked", "sown"):
        raise RefusedError(f"{said!r}: say soaked or sown")
    return said == "soaked"


def sown_after(desk: Desk, ask: Ask, batch: Batch, *, at: datetime, by: str) -> tuple[NewEntry, ...]:
    """Ask whether a soak that was drained was sown too, and return the entry; none where it was not."""
    name = desk.name(batch)
    count = ask_count(ask, f"Sown too? How many trays of {name}? (0: not yet)", batch.trays_planned or 0)
    if not count:
        return ()
    return (_sown(desk, ask, batch.crop, count, batch.id, batch.lot, at=at, by=by, soak=batch),)


def _sown(
    desk: Desk,
    ask: Ask,
    crop: str,
    trays: int,
    batch: str,
    said: str | None,
    *,
    at: datetime,
    by: str,
    soak: Batch | None = None,
) -> NewEntry:
    """Ask where trays were put, and return the entry of their sowing."""
    place = ask("Where do they stand? e.g. 1/2 (Enter: not said)")
    kind = next(iter(desk.farm.tray_kinds))
    lot = known_lot(desk, said)
    sowing = Sowing(
        crop=crop,
        trays=trays,
        spot=desk.spot(place or None),
        lot=lot.id if lot else said,
        supplier=(lot.supplier if lot else None) or (soak.supplier if soak else None),
        treated=lot.treated if lot else soak.treated if soak else None,
        tray_kind=kind,
        seed_g_per_tray=seed_per_tray(desk, desk.profiles[crop], kind, None),
    )
    return replace(sowing_entry(desk, sowing, batch), at=at, by=by)


def agreed(
    desk: Desk, ask: Ask, promise: str, on: date, lacking: int, *, at: datetime, by: str
) -> tuple[NewEntry, ...]:
    """Ask how many trays a buyer agreed to take on the day, and return the change of the promise.

    Raises:
        RefusedError: The promise asks for nothing on that day any more, or the number cannot be read.
    """
    found = promises_as_of(desk.entries, desk.now).get(promise)
    terms = next((terms for _, terms in found.days(on, on)), None) if found else None
    if terms is None:
        raise RefusedError(f"promise {promise} asks for nothing on that day any more")
    there = max(0, terms.trays - lacking)
    question = f"How many trays did {terms.whom} agree to, instead of {terms.trays}? (0: none)"
    count = ask_count(ask, question, there, high=terms.trays)
    data = {"promise": promise, "only": on.isoformat()}
    return (NewEntry(kind=EntryKind.PROMISED, at=at, by=by, trays=count or None, data=data),)
