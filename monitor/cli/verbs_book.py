"""Verbs for the book itself: not yet, correct."""

from __future__ import annotations

import click

from monitor.amounts import read_g, read_ml, say_day
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import EntryKind, NewEntry
from monitor.promises import promises_as_of
from monitor.timewords import read_day

_TASKS = ("drain", "look", "uncover", "end", "water", "harvest", "clear", "wash", "sow", "ring")
_OF_PROMISES = ("sow", "ring")


@click.command("not-yet", epilog="Example: traywarden not-yet 12 uncover --until fri")
@click.argument("batch")
@click.argument("task", type=click.Choice(_TASKS))
@click.option("--until", metavar="DAY", help="Ask again on this day; else at the next round.")
@click.option("--why", default="", help="What was seen.")
@common
@click.pass_obj
def not_yet(
    context: Context, batch: str, task: str, until: str | None, why: str, at: str | None, by: str | None
) -> None:
    """Answer a task with "not yet": it is asked again at the next round, or on the day named.

    In place of a batch a promise may be named: not-yet P3 sow, not-yet P3 ring.
    """
    desk = Desk(context, by, at)
    known = promises_as_of(desk.entries, desk.now)
    promise = batch.upper() if batch.upper() in known else None
    if (task in _OF_PROMISES) != (promise is not None):
        raise RefusedError(
            "not-yet P3 sow puts off the sowing of a promise, not-yet P3 ring the call; all other tasks belong to a "
            "batch's number"
        )
    found = None if promise else desk.batch(batch, EntryKind.NOT_YET)
    day = None if until is None else read_day(until, today=local_day(desk.now, desk.farm.zone), ahead=True)
    if day is not None and day < local_day(desk.now, desk.farm.zone):
        raise RefusedError(f"{until!r} is past; name a day that lies ahead")
    data = {"task": task, "until": day.isoformat() if day else None, "text": why}
    if promise:
        data["promise"] = promise
    again = f"on {say_day(day)}" if day else "at the next round"
    said = f"Noted: {desk.name(found) if found else f'promise {promise}'} not yet; asked again {again}."
    desk.write([desk.entry(EntryKind.NOT_YET, found, data=data)], [said])


@click.command(
    epilog="Example: traywarden correct 57 --trays 6, or traywarden correct 57 --withdraw --why 'wrong batch'"
)
@click.argument("entry_id", metavar="ENTRY", type=int)
@click.option("--withdraw", is_flag=True, help="It never happened.")
@click.option("--why", default="", help="Why it is corrected.")
@click.option("--batch", metavar="BATCH", help="It concerned this batch.")
@click.option("--trays", type=click.IntRange(min=1), help="It concerned so many trays.")
@click.option("--spot", metavar="PLACE", help="It concerned the trays here.")
@click.option("--grams", metavar="WEIGHT", help="Harvested or weighed so much.")
@click.option("--ml", metavar="AMOUNT", help="Watered with so much each.")
@common
@click.pass_obj
def correct(
    context: Context,
    entry_id: int,
    withdraw: bool,
    why: str,
    batch: str | None,
    trays: int | None,
    spot: str | None,
    grams: str | None,
    ml: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Correct an entry by a new one, or withdraw it; nothing is overwritten. `traywarden batch ID` lists numbers."""
    desk = Desk(context, by, at)
    old = next((entry for entry in desk.entries if entry.id == entry_id), None)
    if old is None:
        raise NotFoundError(f"there is no entry {entry_id}; `traywarden batch ID` lists the numbers")
    if withdraw:
        new = NewEntry(
            kind=EntryKind.WITHDRAWN, at=desk.now, by=desk.by, batch=old.batch, data={"why": why}, corrects=old.id
        )
        desk.write([new], [f"Noted: entry {old.id} ({old.kind.value}) is withdrawn."])
        return
    if all(each is None for each in (at, batch, trays, spot, grams, ml)):
        raise RefusedError("say what was wrong with it: --at, --batch, --trays, --spot, --grams, --ml, or --withdraw")
    data = dict(old.data)
    if grams is not None:
        data["grams"] = read_g(grams, desk.farm.units)
    if ml is not None:
        data["ml_per_tray"] = read_ml(ml, desk.farm.units)
    if why:
        data["corrected_because"] = why
    new = NewEntry(
        kind=old.kind,
        at=old.at if at is None else desk.at,
        by=desk.by,
        batch=old.batch if batch is None else desk.batch(batch, EntryKind.NOTED).id,
        trays=old.trays if trays is None else trays,
        spot=old.spot if spot is None else desk.spot(spot),
        stack=old.stack,
        data=data,
        corrects=old.id,
    )
    desk.write([new], [f"Noted: entry {old.id} ({old.kind.value}) is corrected."])
