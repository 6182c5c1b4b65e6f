"""``traywarden batches`` and ``traywarden batch``: what stands, where, in which phase; and one batch's whole story."""

from __future__ import annotations

from typing import Any

import click

from alerts.holding import why_words
from monitor.amounts import say_day, say_time, say_trays
from monitor.batches import Batch, Fate, Part
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, plain_entry
from monitor.cli.measured import Measured, latest_readings, measured, measured_json, say_measured
from monitor.cli.rounds import hold_json
from monitor.clock import day_number
from monitor.errors import NotFoundError
from monitor.phases import PhaseSpan, Standing, phase_now, spans
from monitor.profiles import PhaseKind, Profile
from monitor.verbs import next_words


def _span_json(span: PhaseSpan) -> dict[str, Any]:
    """Return a phase as the documented JSON."""
    window = span.window
    return {
        "phase": span.kind.value,
        "manner": span.manner.value if span.manner else None,
        "begins_on": span.begins_on.isoformat(),
        "began_at": span.began_at.isoformat() if span.began_at else None,
        "ends_on": span.ends_on.isoformat() if span.ends_on else None,
        "known_by": span.standing.value,
        "move": span.move.value if span.move else None,
        "earliest_on": window.earliest.isoformat() if window else None,
        "usual_on": window.usual.isoformat() if window else None,
        "latest_on": window.latest.isoformat() if window else None,
    }


def _part_json(desk: Desk, batch: Batch, part: Part) -> dict[str, Any]:
    """Return a part as the documented JSON."""
    profile = desk.profiles.get(batch.crop)
    standing = part.fate is Fate.STANDING and profile is not None
    span = phase_now(batch, part, profile, now=desk.now, zone=desk.farm.zone) if standing and profile else None
    return {
        "trays": part.trays,
        "fate": part.fate.value,
        "spot": part.spot,
        "stack": part.stack,
        "phase": _span_json(span) if span else None,
        "watered_at": part.watered_at.isoformat() if part.watered_at else None,
        "ended_at": part.ended_at.isoformat() if part.ended_at else None,
        "lifted_early": part.lifted_early,
    }


def batch_json(desk: Desk, batch: Batch) -> dict[str, Any]:
    """Return a batch as the documented JSON."""
    profile = desk.profiles.get(batch.crop)
    return {
        "id": batch.id,
        "crop": batch.crop,
        "name": profile.name if profile else batch.crop,
        "soaked_at": batch.soaked_at.isoformat() if batch.soaked_at else None,
        "sown_at": batch.sown_at.isoformat() if batch.sown_at else None,
        "day": day_number(desk.now, batch.sown_at, desk.farm.zone) if batch.sown_at else None,
        "lot": batch.lot,
        "supplier": batch.supplier,
        "treated": batch.treated,
        "tray_kind": batch.tray_kind,
        "seed_g_per_tray": batch.seed_g_per_tray,
        "sown": batch.sown,
        "standing": batch.trays(Fate.STANDING),
        "cut": batch.trays(Fate.CUT),
        "delivered": batch.trays(Fate.DELIVERED),
        "discarded": batch.trays(Fate.DISCARDED),
        "parts": [_part_json(desk, batch, part) for part in batch.parts],
        "on_hold": [hold_json(hold) for hold in batch.holds],
        "next": list(next_words(batch, profile, now=desk.now, zone=desk.farm.zone)) if profile else [],
    }


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
        context.echo_json({"schema": "traywarden.batches/1", "batches": [batch_json(desk, each) for each in shown]})
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
    standing = _measured_parts(desk, found, profile)
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.batch/1",
                "batch": batch_json(desk, found),
                "days": [_span_json(span) for span in line],
                "measured": [
                    {"spot": spot, "now": [measured_json(each) for each in facts]} for spot, facts in standing
                ],
                "entries": [plain_entry(entry) for entry in found.entries],
            }
        )
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


def _measured_parts(desk: Desk, found: Batch, profile: Profile | None) -> list[tuple[str | None, tuple[Measured, ...]]]:
    """Return what the sensors say of each standing part of a batch; nothing on a farm without sensors."""
    if profile is None or not found.standing or not desk.farm.sensors:
        return []
    latest = latest_readings(desk.farm)
    by_spot: dict[str | None, tuple[Measured, ...]] = {}
    for part in found.standing:
        span = phase_now(found, part, profile, now=desk.now, zone=desk.farm.zone)
        by_spot.setdefault(part.spot, measured(desk.farm, part.spot, span, latest))
    return list(by_spot.items())


def _entry_line(desk: Desk, entry: Any) -> str:
    """Return an entry in one line."""
    trays = f", {say_trays(entry.trays)}" if entry.trays else ""
    shown = {key: value for key, value in entry.data.items() if value not in (None, "", False) and key != "together"}
    data = ", ".join(f"{key} {value}" for key, value in shown.items())
    corrects = f" (corrects {entry.corrects})" if entry.corrects else ""
    when = say_time(entry.at, desk.farm.zone)
    return f"  {entry.id:>4}  {when}  {entry.kind.value}{trays}, {entry.by}{': ' if data else ''}{data}{corrects}"
