"""``traywarden sheet`` and ``enter``: the rounds of the next days on paper, and what was ticked there, entered."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from alerts.nudges import DOING
from alerts.outbox_sql import SqlOutbox
from alerts.roundanswers import answer_entries
from alerts.tasks import OF_PROMISES, TaskKind, TrayGroup
from dashboards.sheet import MOST_DAYS, build_sheet, render, sheet_lines
from dashboards.sheetbook import SHEETS_STATE, keep_numbers, keep_sheet
from dashboards.sheetlines import FROM_LINE, SheetLine, read_lines
from monitor.amounts import read_g, say_g, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.cli.records import write_file
from monitor.cli.sown_talk import agreed, begun, sown_after
from monitor.errors import EntryError, NotFoundError, RefusedError
from monitor.fold import check_append
from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import find_profile
from monitor.timewords import read_instant


@click.command(epilog="Example: traywarden sheet --days 7 --html sheet.html")
@click.option(
    "--days", type=click.IntRange(1, MOST_DAYS), default=7, show_default=True, help="How many days, today among them."
)
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@json_option
@click.pass_obj
def sheet(context: Context, days: int, html: Path | None) -> None:
    """Print the rounds of the next days on paper: what to do, a box to tick, grams and initials."""
    desk = Desk(context, None, None)
    made = build_sheet(desk.farm, desk.profiles, desk.entries, now=desk.now, days=days, scales=context.scales())
    outbox = SqlOutbox(desk.ledger.engine)
    row = keep_sheet(outbox, made, desk.now)
    if html is not None:
        write_file(html, render(made))
    if context.as_json:
        facts = {"schema": "traywarden.sheet/1", **row, "on_hold": list(made.holds)}
        context.echo_json({**facts, "files": [str(html)] if html else []})
        return
    if html is not None:
        context.echo(f"Written: {html}, {len(made.lines)} lines. Print it; then: traywarden enter {made.key}")
        return
    for line in sheet_lines(made):
        context.echo(line)


@dataclass(slots=True)
class _Dialogue:
    """What has been typed off a sheet so far."""

    desk: Desk
    lines: dict[int, SheetLine]
    entries: list[NewEntry] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    numbers: dict[str, str] = field(default_factory=dict)  # of what lines asked to sow: the batches that they became

    def ask(self, text: str, default: str = "") -> str:
        """Ask one thing; under --json the questions go to standard error."""
        to_err = self.desk.context.as_json
        return str(click.prompt(text, default=default, show_default=bool(default), err=to_err)).strip()

    def knows(self, batch: str | None) -> bool:
        """Tell whether a batch is in the book, or was begun in this dialogue."""
        return batch is not None and (batch in self.desk.batches or any(each.batch == batch for each in self.entries))


def _sheet_of(desk: Desk, said: str | None) -> dict[str, Any]:
    """Return the sheet that is meant: the one of these letters, or the newest.

    Raises:
        NotFoundError: There is none.
    """
    kept = SqlOutbox(desk.ledger.engine).state(SHEETS_STATE) or []
    if not kept:
        raise NotFoundError("no sheet was printed so far; print one: traywarden sheet --days 7 --html sheet.html")
    found = [row for row in kept if said is None or row["key"] == said.upper()]
    if not found:
        there = ", ".join(f"{row['key']} ({row['span']})" for row in kept)
        raise NotFoundError(f"no sheet {said!r}; the last ones are: {there}. The letters stand at its top")
    return dict(found[-1])


@click.command(epilog="Example: traywarden enter K7QM   (the letters stand at the top of the sheet)")
@click.argument("sheet_key", metavar="SHEET", required=False)
@click.option("--yes", is_flag=True, help="Do not ask at the end.")
@common
@click.pass_obj
def enter(context: Context, sheet_key: str | None, yes: bool, at: str | None, by: str | None) -> None:
    """Enter what was ticked on a wall sheet, each line with its own time; the last sheet where none is named."""
    desk = Desk(context, by, at)
    row = _sheet_of(desk, sheet_key)
    lines = read_lines(row["lines"])
    talk = _Dialogue(desk=desk, lines={line.number: line for line in lines}, numbers=dict(row.get("numbers") or {}))
    context.echo(f"Sheet {row['key']}, {row['span']}, lines 1 to {len(lines)}. Enter takes what stands in brackets.")
    while said := talk.ask("Which lines? e.g. 1-5,7 (Enter: finished)"):
        try:
            chosen = [talk.lines[number] for number in _numbers(said, talk.lines)]
            _take(talk, chosen)
        except RefusedError as exc:
            context.warn(f"Not taken: {exc}")
    if not talk.entries:
        raise RefusedError("nothing was noted")
    for text in (*talk.said, *(f"LEFT OUT  {each}" for each in talk.left_out)):
        context.echo(f"  {text}")
    if not yes and not context.as_json and not click.confirm("Note all of this?", default=True):
        raise RefusedError("nothing was noted")
    count = f"{len(talk.said)} line{'' if len(talk.said) == 1 else 's'}"
    noted = f"Noted: {count} of sheet {row['key']}. Wrong? traywarden undo"
    desk.write(talk.entries, [noted], facts={"sheet": row["key"], "left_out": talk.left_out}, quietly=True)
    keep_numbers(SqlOutbox(desk.ledger.engine), row["key"], talk.numbers, desk.now)


def _numbers(said: str, lines: dict[int, SheetLine]) -> list[int]:
    """Return the line numbers of a text like 1-5,7.

    Raises:
        RefusedError: It cannot be read, or a line is not there.
    """
    found: list[int] = []
    for word in said.replace(" ", "").split(","):
        first, dash, last = word.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise RefusedError(f"{word!r} is no line; say e.g. 3, or 1-5,7")
        found += range(int(first), int(last if dash else first) + 1)
    missing = [number for number in found if number not in lines]
    if missing:
        raise RefusedError(f"there is no line {missing[0]}; the sheet has 1 to {max(lines)}")
    return list(dict.fromkeys(found))


def _take(talk: _Dialogue, chosen: list[SheetLine]) -> None:
    """Ask what became of some lines, and take it down.

    Raises:
        RefusedError: An answer cannot be read.
    """
    for line in chosen:
        talk.desk.context.echo(f"  {_line_words(line, talk.desk)}")
    answer = talk.ask("Done, part or not yet?", "done").casefold()
    if not any(word.startswith(answer) for word in ("done", "part", "not yet", "not-yet")):
        raise RefusedError(f"{answer!r}: say done, part or not yet")
    trays = None
    if answer[:1] == "p":
        if len(chosen) > 1:
            raise RefusedError("part is of one line: name that line alone")
        if chosen[0].kind in OF_PROMISES:
            raise RefusedError("say done: how many trays is asked then")
        counted = talk.ask(f"How many of the {chosen[0].trays} trays?")
        if not counted.isdigit() or not 0 < int(counted) <= chosen[0].trays:
            raise RefusedError(f"{counted!r}: say a number from 1 to {chosen[0].trays}")
        trays = int(counted)
    printed = say_time(chosen[0].at, talk.desk.farm.zone) if len(chosen) == 1 else "each as printed"
    when = talk.ask("When?", printed)
    typed = None if when == printed else read_instant(when, now=talk.desk.now, zone=talk.desk.farm.zone)
    who = talk.desk.person(talk.ask("Who?", talk.desk.by))
    for line in chosen:
        _note(talk, line, answer[:1], trays, typed or line.at, who)


def _line_words(line: SheetLine, desk: Desk) -> str:
    """Return a line as it is repeated in the dialogue."""
    trays = f", {say_trays(line.trays)}" if line.trays else ""
    when = say_time(line.at, desk.farm.zone)
    what = "promise" if line.kind in OF_PROMISES else "batch"
    where = f", {line.place}" if line.place and line.kind not in OF_PROMISES else ""
    return f"{line.number}: {when}, {what} {line.batch} {line.crop}{trays}{where}: {DOING[line.kind]}"


def _note(talk: _Dialogue, line: SheetLine, answer: str, trays: int | None, at: datetime, who: str) -> None:
    """Take one line down; what the book would refuse is left out, with the reason."""
    line = _numbered(talk, line)
    words = _line_words(line, talk.desk)
    if at > talk.desk.now:
        talk.left_out.append(f"{words}: it lies ahead; say when it was done")
        talk.desk.context.warn(f"Not taken: line {line.number} lies ahead; say when it was done")
        return
    grams = _grams(talk, line) if line.asks_grams and answer != "n" else None
    new = [_put_off(line, at, who)] if answer == "n" else _done(talk, line, trays, at, who, grams)
    try:
        check_append(talk.desk.entries, [*talk.entries, *new], recorded_at=talk.desk.now)
    except EntryError as exc:
        talk.left_out.append(f"{words}: {exc}")
        talk.desk.context.warn(f"Not taken: line {line.number}: {exc}")
        return
    talk.entries += new
    if line.kind is TaskKind.SOW and answer != "n":
        talk.numbers[f"{FROM_LINE}{line.number}"] = str(new[0].batch)
        words = f"{words}, as batch {new[0].batch} ({new[0].kind.value})"
    what = "not yet" if answer == "n" else f"{trays} trays done" if trays else "done"
    amount = f", {say_g(grams, talk.desk.farm.units)}" if grams is not None else ""
    talk.said.append(f"{words}: {what}{amount}, {say_time(at, talk.desk.farm.zone)}, {who}")


def _numbered(talk: _Dialogue, line: SheetLine) -> SheetLine:
    """Return a line about what another line asked to sow, with the number and the trays that it was sown under.

    Raises:
        RefusedError: Nobody knows the number.
    """
    if line.sown_by is None:
        return line
    batch: str | None = talk.numbers.get(line.batch)
    if not talk.knows(batch):
        asked = f"{line.batch} is what line {line.sown_by} asked to sow. Which batch is it now? (Enter: leave out)"
        batch = talk.ask(asked)
    if not batch or not talk.knows(batch):
        raise RefusedError(f"line {line.number}: enter line {line.sown_by} first, or the number of its batch")
    talk.numbers[line.batch] = batch
    sown = [each for each in (*talk.desk.entries, *talk.entries) if each.batch == batch]
    trays = sum(each.trays or 0 for each in sown if each.kind is EntryKind.SOWN) or line.trays
    return replace(line, batch=batch, trays=trays, groups=(TrayGroup(trays=trays, spot=None),))


def _put_off(line: SheetLine, at: datetime, who: str) -> NewEntry:
    """Return the entry that a line was answered with not yet."""
    data = {"task": line.kind.value.split()[0], "until": None, "text": "on the wall sheet"}
    if line.kind in OF_PROMISES:
        return NewEntry(kind=EntryKind.NOT_YET, at=at, by=who, data={**data, "promise": line.batch})
    return NewEntry(kind=EntryKind.NOT_YET, at=at, by=who, batch=line.batch, data=data)


def _done(
    talk: _Dialogue, line: SheetLine, trays: int | None, at: datetime, who: str, grams: float | None
) -> list[NewEntry]:
    """Return the entries of a line that was done; what was sown, or agreed with a buyer, is asked."""
    if line.kind is TaskKind.SOW:
        crop = find_profile(talk.desk.profiles, line.crop).id
        return list(begun(talk.desk, talk.ask, crop, line.trays, at=at, by=who, pending=talk.entries))
    if line.kind is TaskKind.RING and line.for_on is not None:
        return list(agreed(talk.desk, talk.ask, line.batch, line.for_on, line.trays, at=at, by=who))
    groups = line.groups if trays is None else _first_trays(line.groups, trays)
    new = list(answer_entries(line, groups, at=at, by=who, grams=grams))
    soak = talk.desk.batches.get(line.batch)
    if line.kind is TaskKind.DRAIN and soak is not None and soak.sown_at is None:
        new += sown_after(talk.desk, talk.ask, soak, at=at, by=who)
    return new


def _grams(talk: _Dialogue, line: SheetLine) -> float | None:
    """Ask for the grams of a harvest."""
    said = talk.ask(f"Grams of line {line.number}, batch {line.batch} {line.crop} (Enter: not written)")
    return read_g(said, talk.desk.farm.units) if said else None


def _first_trays(groups: tuple[TrayGroup, ...], trays: int) -> tuple[TrayGroup, ...]:
    """Return so many trays of the groups, from the first on."""
    found = []
    for group in groups:
        taken = min(trays, group.trays)
        if taken:
            found.append(TrayGroup(trays=taken, spot=group.spot, stack=group.stack))
        trays -= taken
    return tuple(found)
