"""``traywarden batches`` and ``traywarden batch``: what stands, where, in which phase; and one batch's whole story."""

from __future__ import annotations

from typing import Any

import click

from alerts.holding import why_words
from dashboards.facts.batches import batch_facts, batches_facts
from dashboards.facts.measured import measured_parts, say_measured
from monitor.amounts import say_day, say_time, say_trays
from monitor.batches import Batch, Fate
from monitor.cli.common import Context, json_option, latest_readings
from monitor.cli.desk import Desk
from monitor.clock import day_number
from monitor.errors import NotFoundError
from monitor.phases import PhaseSpan, Standing, phase_now, spans
from monitor.profiles import PhaseKind
from monitor.verbs import next_words


def _lines(desk: Desk, batch: Batch) -> list[str]:
    """Return a batch in two or three lines."""
    profile = desk.profiles.get(batch.crop)
    name = profile.name.lower() if profile else f"{batch.crop} (no profile)"
    if batch.sown_at is None:
        head = f"{batch.id:>4}  {name}, soaking"
    else:
        head = f"{batch.id:>4}  {name}, day {day_number(desk.now, batch.sown_at, desk.farm.zone)}"
    lines = [head]
    lines += [
        f"      ON HOLD, do not cut, do not deliver: {why_words(hold, desk.farm)}"
        for hold in batch.holds
        if not batch.is_over or batch.trays(Fate.CUT)
    ]
    for part in batch.parts:
        what = part.fate.value
        if part.fate is Fate.STANDING and profile is not None:
            what = _phase_words(phase_now(batch, part, profile, now=desk.now, zone=desk.farm.zone))
        pile = f" in pile {part.stack}" if part.stack else ""
        lines.append(f"      {say_trays(part.trays)}, {desk.farm.places.name(part.spot)}{pile}: {what}")
    if profile is not None and not batch.is_over:
        lines += [f"      next: {words}" for words in next_words(batch, profile, now=desk.now, zone=desk.farm.zone)]
    return lines


def _phase_words(span: PhaseSpan) -> str:
    """Return a phase in words."""
    what = f"{span.manner.value} in the dark" if span.manner and span.kind is PhaseKind.GERMINATION else span.kind.value
    if span.kind is PhaseKind.GERMINATION and span.manner and span.manner.value == "open":
        what = "germinating open"
    guess = ", taken as such: nobody entered it" if span.standing is Standing.PRESUMED else ""
    return f"{what} since {say_day(span.begins_on)}{guess}"


@click.command(epilog="Example: traywarden batches")
@click.option("--all", "everything", is_flag=True, help="Also those of which no tray stands any more.")
@json_option
@click.pass_obj
def batches(context: Context, everything: bool) -> None:
    """List the batches that stand: where, in which phase, and what comes next."""
    desk = Desk(context, None, None)
    shown = [batch for batch in desk.batches.values() if everything or not batch.is_over]
    if context.as_json:
        context.echo_json(batches_facts(shown, desk.profiles, desk.now, desk.farm.zone))
        return
    if not shown:
        context.echo("Nothing stands. Begin with: traywarden sow CROP --trays N --spot PLACE")
    for each in sorted(shown, key=lambda batch: int(batch.id) if batch.id.isdigit() else 0):
        for line in _lines(desk, each):
            context.echo(line)


@click.command(epilog="Example: traywarden batch 12")
@click.argument("batch_id", metavar="BATCH")
@json_option
@click.pass_obj
def batch(context: Context, batch_id: str) -> None:
    """Show one batch: its trays, its days so far and to come, and every entry with its number."""
    desk = Desk(context, None, None)
    found = desk.batches.get(batch_id)
    if found is None:
        raise NotFoundError(f"there is no batch {batch_id!r}; `traywarden batches --all` lists them")
    profile = desk.profiles.get(found.crop)
    part = (found.standing or found.parts or (None,))[0]
    line = spans(found, part, profile, now=desk.now, zone=desk.farm.zone) if profile else ()
    latest = latest_readings(desk.farm) if found.standing else {}
    standing = measured_parts(desk.farm, found, profile, latest, desk.now)
    if context.as_json:
        context.echo_json(batch_facts(found, profile, line, standing, desk.now, desk.farm.zone))
        return
    for text in _lines(desk, found):
        context.echo(text)
    seed = [
        f"lot {found.lot}" if found.lot else "no lot entered",
        f"supplier {found.supplier}" if found.supplier else "",
    ]
    treated = {True: "TREATED SEED", False: "untreated", None: "treated or not: not said"}[found.treated]
    context.echo(f"Seed: {', '.join(word for word in (*seed, treated) if word)}")
    context.echo("Days")
    for span in line:
        ahead = {Standing.EXPECTED: "  (expected)", Standing.PRESUMED: "  (not entered)", Standing.ENTERED: ""}[
            span.standing
        ]
        context.echo(f"  {say_day(span.begins_on)}  {span.kind.value}{ahead}")
    for spot, facts in standing:
        context.echo(f"Measured at {desk.farm.places.name(spot)}")
        for each in facts:
            context.echo(f"  {say_measured(each, desk.farm)}")
    context.echo("Entries")
    for entry in found.entries:
        context.echo(_entry_line(desk, entry))


def _entry_line(desk: Desk, entry: Any) -> str:
    """Return an entry in one line."""
    trays = f", {say_trays(entry.trays)}" if entry.trays else ""
    shown = {key: value for key, value in entry.data.items() if value not in (None, "", False) and key != "together"}
    data = ", ".join(f"{key} {value}" for key, value in shown.items())
    corrects = f" (corrects {entry.corrects})" if entry.corrects else ""
    when = say_time(entry.at, desk.farm.zone)
    return f"  {entry.id:>4}  {when}  {entry.kind.value}{trays}, {entry.by}{': ' if data else ''}{data}{corrects}"
