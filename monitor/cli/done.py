"""``traywarden done`` and ``undo``: a whole round, or one shelf, answered at once, and taken back as one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import click

from alerts.derive import open_tasks, say_count
from alerts.nudges import DOING
from alerts.roundanswers import AnswerLine, answer_lines, is_picked
from alerts.tasks import OF_PROMISES, Task, TaskKind, is_due
from monitor.amounts import read_g, say_g, say_list, say_ml, say_time, say_trays
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.cli.rounds import tick_of
from monitor.cli.sown_talk import agreed, begun
from monitor.errors import RefusedError
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.undoing import last_answer, taken_back


def _words(said: tuple[str, ...]) -> list[str]:
    """Return what was listed, with commas or apart."""
    return [word.strip() for text in said for word in text.split(",") if word.strip()]


def _grams(desk: Desk, said: tuple[str, ...]) -> dict[str, float]:
    """Return grams by batch of words like 12=1480.

    Raises:
        RefusedError: One of them cannot be read.
    """
    found = {}
    for word in _words(said):
        batch, equals, amount = word.partition("=")
        if not equals:
            raise RefusedError(f"--grams {word!r}: say batch and weight, e.g. --grams 12=1480")
        found[batch.strip()] = read_g(amount, desk.farm.units)
    return found


def _ask_grams(desk: Desk, tasks: list[Task]) -> dict[str, float]:
    """Ask for the grams of each harvest of the round; Enter leaves it out."""
    found = {}
    for task in tasks:
        name = desk.name(desk.batches[task.batch])
        asked = f"Grams cut in all from {name}, {say_count(task)} (Enter: not cut)"
        said = click.prompt(asked, default="", show_default=False)
        if said.strip():
            found[task.batch] = read_g(said, desk.farm.units)
    return found


def _ask_promises(desk: Desk, tasks: Sequence[Task]) -> dict[str, tuple[NewEntry, ...]]:
    """Ask what was sown for promises, and what was agreed with buyers; return entries by task; Enter leaves one out."""
    found: dict[str, tuple[NewEntry, ...]] = {}
    for task in tasks:
        if task.kind not in OF_PROMISES:
            continue
        crop = desk.profiles[task.crop].name.lower()
        if task.kind is TaskKind.SOW and click.confirm(
            f"Promise {task.batch}, {say_trays(task.trays)} of {crop}: begun?", default=False
        ):
            pending = [entry for entries in found.values() for entry in entries]
            found[task.key] = begun(desk, _ask, task.crop, task.trays, at=desk.at, by=desk.by, pending=pending)
        if task.kind is TaskKind.RING and click.confirm(f"Promise {task.batch}, {crop}: rung, and agreed?"):
            on = date.fromisoformat(task.occurrence)
            found[task.key] = agreed(desk, _ask, task.batch, on, task.trays, at=desk.at, by=desk.by)
    return found


def _ask(text: str, default: str = "") -> str:
    """Ask one thing; Enter takes the default."""
    return str(click.prompt(text, default=default, show_default=bool(default))).strip()


def line_words(line: AnswerLine, desk: Desk) -> str:
    """Return what is entered for one task, in one line."""
    task = line.task
    names = [desk.farm.places.name(group.spot) for group in line.groups if group.spot]
    where = f", {say_list(list(dict.fromkeys(names)))}" if names else ""
    trays = sum(group.trays for group in line.groups)
    count = f", {say_trays(trays)}" if trays else ""
    amount = ""
    if task.kind is TaskKind.WATER and line.entries:
        amount = f", {say_ml(float(line.entries[0].data['ml_per_tray'] or 0), desk.farm.units)} each"
    if task.kind is TaskKind.HARVEST and line.entries:
        amount = f", {say_g(sum(float(each.data['grams']) for each in line.entries), desk.farm.units)} in all"
    whose = f"promise {task.batch}" if task.kind in OF_PROMISES else desk.name(desk.batches[task.batch])
    return f"{whose}: {DOING[task.kind]}{count}{where}{amount}"


@click.command(epilog="Example: traywarden done --shelf 1/2   (or: traywarden done --all --except 12,14:water)")
@click.option("--all", "everything", is_flag=True, help="The whole round.")
@click.option("--shelf", metavar="PLACE", help="Only what stands here: 1/2, or a whole rack or room.")
@click.option("--except", "but", multiple=True, metavar="BATCHES", help="All but these: 12,14 or 12:water.")
@click.option("--grams", multiple=True, metavar="BATCH=WEIGHT", help="Cut in all: 12=1480. Else harvests are asked.")
@click.option("--yes", is_flag=True, help="Do not ask; harvests without --grams, and promises, are left out.")
@common
@click.pass_obj
def done(
    context: Context,
    everything: bool,
    shelf: str | None,
    but: tuple[str, ...],
    grams: tuple[str, ...],
    yes: bool,
    at: str | None,
    by: str | None,
) -> None:
    """Answer all open tasks of the present round, or of one shelf, at once; say first what will be entered."""
    desk = Desk(context, by, at)
    tick = tick_of(context, desk.at)
    place = desk.spot(shelf)
    tasks = [task for task in open_tasks(tick) if is_due(task, desk.at)]
    picked = _words(but)
    weights = _grams(desk, grams)
    quiet = yes or context.as_json
    if not quiet and (everything or place):
        first = answer_lines(tasks, desk.farm.places, at=desk.at, by=desk.by, shelf=place, but=picked, grams=weights)
        harvests = [line.task for line in first if line.task.kind is TaskKind.HARVEST and not line.entries]
        weights |= _ask_grams(desk, [task for task in harvests if not is_picked(task, picked)])
    asks = not quiet and everything and place is None
    own = _ask_promises(desk, [task for task in tasks if not is_picked(task, picked)]) if asks else {}
    lines = answer_lines(
        tasks, desk.farm.places, at=desk.at, by=desk.by, shelf=place, but=picked, grams=weights, own=own
    )
    entered = [line for line in lines if line.entries]
    context.echo(f"Done by {desk.by}, {say_time(desk.at, desk.farm.zone)}:" if entered else "Nothing is left to enter.")
    for line in entered:
        context.echo(f"  {line_words(line, desk)}")
    for line in lines:
        if line.left_out:
            context.echo(f"  LEFT OUT  {line_words(line, desk)}: {line.left_out}")
    if context.as_json and not everything and place is None:
        would = [line.task.key for line in entered]
        context.echo_json({"schema": "traywarden.done/1", "would_answer": would, "left_out": _left(lines)})
        return
    if not everything and place is None:
        raise RefusedError("nothing was noted: say --all for the whole round, or --shelf 1/2 for one shelf")
    if not entered:
        raise RefusedError("nothing was noted")
    if not quiet and not click.confirm("Note all of this?", default=True):
        raise RefusedError("nothing was noted")
    entries = [entry for line in entered for entry in line.entries]
    said = f"Noted: {_things(len(entered))}. Wrong? traywarden undo"
    desk.write(entries, [said], facts={"left_out": _left(lines)}, quietly=True)


def _left(lines: Sequence[AnswerLine]) -> list[dict[str, str]]:
    """Return what is left out, and why, as the documented JSON."""
    return [{"task": line.task.key, "why": line.left_out} for line in lines if line.left_out]


def _things(count: int) -> str:
    """Return a number of tasks in words."""
    return f"{count} thing{'' if count == 1 else 's'} done"


def entry_words(entry: Entry, desk: Desk) -> str:
    """Return an entry in one line, as it is shown before it is taken back."""
    batch = desk.batches.get(entry.batch or "")
    what = f"{desk.name(batch)} " if batch else ""
    trays = f", {say_trays(entry.trays)}" if entry.trays else ""
    where = f", {desk.farm.places.name(entry.spot)}" if entry.spot else ""
    own = next((str(entry.data[key]) for key in ("text", "temp_c", "why", "lot") if entry.data.get(key)), "")
    more = f": {own}" if own else ""
    when = say_time(entry.at, desk.farm.zone)
    return f"{entry.id:>4}  {when}  {what}{entry.kind.value}{trays}{where}, {entry.by}{more}"


@click.command(epilog="Example: traywarden undo")
@click.option("--of", "of", metavar="WHO", help="The last answer of this person; else of anybody.")
@click.option("--yes", is_flag=True, help="Do not ask first.")
@common
@click.pass_obj
def undo(context: Context, of: str | None, yes: bool, at: str | None, by: str | None) -> None:
    """Take back what was entered last, a whole round as one; nothing is overwritten, the book keeps both."""
    desk = Desk(context, by, at)
    answer = last_answer(desk.entries, None if of is None else desk.person(of))
    if not answer:
        raise RefusedError("nothing is entered that could be taken back")
    context.echo("Taken back is:")
    for entry in answer:
        context.echo(entry_words(entry, desk))
    if not yes and not context.as_json and not click.confirm("Take this back?", default=True):
        raise RefusedError("nothing was taken back")
    back = list(taken_back(answer, desk.entries, at=desk.now, by=desk.by))
    is_corrected = any(entry.kind is not EntryKind.WITHDRAWN for entry in back)
    again = " The entry before the correction holds again." if is_corrected else ""
    count = f"{len(answer)} entries are" if len(answer) > 1 else "1 entry is"
    desk.write(back, [f"Noted: {count} taken back.{again}"], quietly=True)
