"""Verbs for the book itself: not yet, correct."""

from __future__ import annotations

import click

from monitor.amounts import say_day
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.correcting import Change, correct_deed, withdraw_deed
from monitor.errors import RefusedError
from monitor.ledger import EntryKind
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
    if withdraw:
        desk.note(withdraw_deed(desk, entry_id, why))
        return
    change = Change(at=at is not None, batch=batch, trays=trays, spot=spot, grams=grams, ml=ml, why=why)
    desk.note(correct_deed(desk, entry_id, change))
