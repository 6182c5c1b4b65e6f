"""What a wish to hold or to release comes to, and what a hold reaches, in words; pure."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.amounts import say_g, say_list, say_time, say_trays
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.holds import RECALL, Hold, gone_out, holds_of, lots_sown, reaches, same_lot, still_here, thrown_away
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.lots import find_lot, lots_of


def _target(desk: Desk, lot: str | None, batch: str | None) -> tuple[str | None, str | None]:
    """Return (lot, batch) that are named, one of them None.

    Raises:
        RefusedError: Neither or both are named.
        NotFoundError: There is no such batch.
    """
    if (lot is None) == (batch is None):
        raise RefusedError("say what: --lot X for all that was sown from a seed lot, or --batch Y for one batch")
    if batch is not None and batch not in desk.batches:
        raise NotFoundError(f"there is no batch {batch!r}; `traywarden batches --all` lists them")
    spelled = [known for each in desk.batches.values() for known in lots_sown(each) if same_lot(known, lot)]
    return (spelled[0] if spelled else lot), batch


def _standing(desk: Desk, lot: str | None, batch: str | None) -> list[Hold]:
    """Return the holds that stand on a lot or on a batch by its own name."""
    holds = [hold for hold in holds_of(effective(desk.entries)) if hold.ended_at is None]
    return [
        hold for hold in holds if (same_lot(hold.lot, lot) if lot else hold.batch is not None and hold.batch == batch)
    ]


def reach_lines(hold: Hold, desk: Desk) -> list[str]:
    """Return what a hold reaches: what is still here, and what has gone out with buyer, day and amount."""
    farm = desk.farm
    named = [desk.name(batch) for batch in desk.batches.values() if reaches(hold, batch)]
    lines = [f"It concerns {say_list(named)}." if named else f"No batch was sown from {hold.target} so far."]
    here = still_here(hold, desk.batches)
    if here:
        lines.append("Still here:")
    for each in here:
        what = "cut, not delivered" if each.is_cut else farm.places.name(each.spot)
        lines.append(f"  {say_trays(each.trays)} of batch {each.batch} {each.crop}: {what}")
    out = gone_out(hold, desk.batches)
    lines.append("Already gone out:" if out else "Nothing of it has gone out, as far as it was entered.")
    for gone in out:
        amount = say_trays(gone.trays) + (" living" if gone.living else "")
        grams = f", {say_g(gone.grams, farm.units)}" if gone.grams is not None else ""
        whom = gone.whom or "nobody wrote down to whom"
        when = say_time(gone.at, farm.zone)
        lines.append(f"  {when}  {whom}: {amount}{grams} of batch {gone.batch} {gone.crop} (entry {gone.entry})")
    for away in thrown_away(hold, desk.batches):
        when = say_time(away.at, farm.zone)
        what = f"{say_trays(away.trays)} of batch {away.batch} {away.crop}"
        lines.append(f"Thrown away: {when}  {what}: {away.why} (entry {away.entry})")
    left_g = seed_left_g(hold, desk.entries)
    if left_g:
        lines.append(f"Seed of it left: {say_g(left_g, farm.units)}. Do not sow it.")
    return lines


def seed_left_g(hold: Hold, entries: Iterable[Entry]) -> float | None:
    """Return what is left of a held lot's seed, in g; None: no lot is held, or nobody said how much was bought."""
    found = find_lot(lots_of(effective(entries)), hold.lot)
    return None if found is None or found.left_g is None else round(max(found.left_g, 0.0), 1)


def hold_deed(desk: Desk, lot: str | None, batch: str | None, reason: str) -> tuple[Hold, Deed]:
    """Return (the hold, what sets it) of a seed lot or a batch.

    Raises:
        RefusedError: Neither or both are named, it is on hold already, or no reason is given.
        NotFoundError: There is no such batch.
    """
    reason = _reason(reason)
    lot, batch = _target(desk, lot, batch)
    known = _standing(desk, lot, batch)
    if known:
        raise RefusedError(
            f"{known[0].target} is on hold already: {known[0].why} ({known[0].by}, "
            f"{say_time(known[0].at, desk.farm.zone)}); `traywarden holds` shows all"
        )
    data = {"lot": lot.strip(), "why": reason} if lot else {"why": reason}
    entry = NewEntry(kind=EntryKind.HELD, at=desk.at, by=desk.by, batch=batch, data=data)
    wanted = Hold(id=0, lot=lot, batch=batch, why=reason, by=desk.by, at=desk.at)
    desk.care.append(RECALL)
    said = [f"ON HOLD from now on: {wanted.target} ({reason}). Do not cut, do not deliver."]
    ends = f"It ends with: traywarden release {wanted.option} --reason '...'"
    return wanted, Deed(entries=(entry,), said=(*said, *reach_lines(wanted, desk), ends))


def release_deed(desk: Desk, lot: str | None, batch: str | None, reason: str) -> Deed:
    """Return what ends a hold.

    Raises:
        RefusedError: Neither or both are named, the hold comes through its lot, or no reason is given.
        NotFoundError: It is not on hold.
    """
    reason = _reason(reason)
    lot, batch = _target(desk, lot, batch)
    if not _standing(desk, lot, batch):
        through = desk.batches[batch].holds if batch else ()
        if through:
            raise RefusedError(
                f"batch {batch} is on hold through its {through[0].target}: release that, with {through[0].option}; "
                "or discard the batch"
            )
        names = [hold.target for hold in holds_of(effective(desk.entries)) if hold.ended_at is None]
        listed = f"on hold are: {say_list(names)}" if names else "nothing is on hold"
        raise NotFoundError(f"{f'lot {lot}' if lot else f'batch {batch}'} is not on hold; {listed}")
    data = {"lot": lot.strip(), "why": reason} if lot else {"why": reason}
    entry = NewEntry(kind=EntryKind.RELEASED, at=desk.at, by=desk.by, batch=batch, data=data)
    if lot:
        desk.care.append(RECALL)
    what = f"Lot {lot}" if lot else f"Batch {batch}"
    says = f"{what} is released by {desk.by}: {reason}."
    return Deed(entries=(entry,), said=(says, *_after(desk, lot, batch)))


def _reason(said: str) -> str:
    """Return a reason that says something.

    Raises:
        RefusedError: It is empty.
    """
    if not said.strip():
        raise RefusedError("why? A hold and its end are kept with their reason: --reason '...'")
    return said.strip()


def _after(desk: Desk, lot: str | None, batch: str | None) -> list[str]:
    """Return what a release sets free, and what stays on hold for another reason."""
    freed = [
        each for each in desk.batches.values() if each.id == batch or any(same_lot(h.lot, lot) for h in each.holds)
    ]
    lines = []
    for each in freed:
        other = [hold for hold in each.holds if not (same_lot(hold.lot, lot) if lot else hold.batch == batch)]
        if other:
            lines.append(f"{desk.name(each).capitalize()} STAYS ON HOLD through its {other[0].target}: {other[0].why}.")
        else:
            lines.append(f"{desk.name(each).capitalize()} may be cut and delivered again.")
    return lines
