"""What happened to each batch of a grow, as values, and from those one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from dashboards.batchdays import days_of
from dashboards.charts import picture_svg
from dashboards.daypicture import describe
from monitor.amounts import say_day, say_g, say_time, say_trays
from monitor.batches import Batch, Fate
from monitor.farm import Farm
from monitor.ledger import Entry, EntryKind
from monitor.live import LiveBuffer
from monitor.phases import Standing, spans
from monitor.profiles import Profile
from monitor.stores.protocol import ReadingStore


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchReport:
    """One batch on the page.

    Attributes:
        heading: Number, crop and trays.
        facts: What became of it, a line each.
        phases: (day, phase, how it is known).
        entries: (when, what, by whom).
        nudges: (when, what was asked for, late or not).
        svg: Its picture.
        picture_says: The picture in words.
    """

    heading: str
    facts: tuple[str, ...]
    phases: tuple[tuple[str, str, str], ...]
    entries: tuple[tuple[str, str, str], ...]
    nudges: tuple[tuple[str, str, str], ...]
    svg: str
    picture_says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowReport:
    """The whole page.

    Attributes:
        farm: The farm's name.
        is_simulated: The readings come from a simulated room.
        span: First and last day in words.
        summary: A line each.
        alarms: (when, text) of what was urgent.
        batches: One each.
    """

    farm: str
    is_simulated: bool
    span: str
    summary: tuple[str, ...]
    alarms: tuple[tuple[str, str], ...]
    batches: tuple[BatchReport, ...]


def build_report(
    farm: Farm,
    profiles: Mapping[str, Profile],
    batches: Mapping[str, Batch],
    sent: Sequence[OutboxRow],
    store: ReadingStore,
    *,
    now: datetime,
    is_simulated: bool,
    entries: Sequence[Entry] = (),
) -> GrowReport:
    """Return what happened to each batch until ``now``; the set-ups of scales are taken from ``entries``."""
    tick = Tick(
        now=now, farm=farm, profiles=profiles, batches=batches, live=LiveBuffer(), watching_since=now,
        entries=tuple(entries),
    )  # fmt: skip
    begun = [batch.soaked_at or batch.sown_at for batch in batches.values()]
    first = min((at for at in begun if at is not None), default=now)
    fates = {fate: sum(batch.trays(fate) for batch in batches.values()) for fate in Fate}
    summary = (
        f"{len(batches)} batches, {say_trays(sum(batch.sown for batch in batches.values()))} sown: "
        + ", ".join(f"{count} {fate.value}" for fate, count in fates.items()),
        f"{store.count()} readings kept, {len(sent)} messages sent",
    )
    seen = {row.title: row for row in sent if row.kind == "alarm"}
    return GrowReport(
        farm=farm.name,
        is_simulated=is_simulated,
        span=f"{say_time(first, farm.zone)} to {say_time(now, farm.zone)}",
        summary=summary,
        alarms=tuple((say_time(row.made_at, farm.zone), row.text) for row in seen.values()),
        batches=tuple(
            _batch(profiles[batch.crop], batch, sent, store, tick)
            for batch in batches.values()
            if batch.crop in profiles
        ),
    )


def _batch(profile: Profile, batch: Batch, sent: Sequence[OutboxRow], store: ReadingStore, tick: Tick) -> BatchReport:
    """Return one batch's part of the page."""
    farm, now = tick.farm, tick.now
    ended = [part.ended_at for part in batch.parts if part.ended_at is not None]
    until = max(ended) if batch.is_over and ended else now
    picture = days_of(batch, profile, tick, store.read, sent=sent)
    asked = {(row.made_at, row.was_late): _asked(row, batch) for row in sent if _asked(row, batch)}
    known = {
        Standing.ENTERED: "entered",
        Standing.PRESUMED: "not entered, taken as done",
        Standing.EXPECTED: "expected",
    }
    part = (batch.standing or batch.parts or (None,))[0]
    return BatchReport(
        heading=f"Batch {batch.id}: {profile.name.lower()}, {say_trays(batch.sown)}",
        facts=_facts(farm, batch),
        phases=tuple(
            (say_day(span.begins_on), span.kind.value, known[span.standing])
            for span in spans(batch, part, profile, now=until, zone=farm.zone)
            if span.began_at is not None
        ),
        entries=tuple((say_time(entry.at, farm.zone), _deed(farm, entry), entry.by) for entry in batch.entries),
        nudges=tuple(
            (say_time(made_at, farm.zone), what, "late" if late else "in time")
            for (made_at, late), what in asked.items()
        ),
        svg=picture_svg(picture),
        picture_says=describe(picture),
    )


def _asked(row: OutboxRow, batch: Batch) -> str:
    """Return what a message asked for of a batch, in words; empty where it asked for nothing."""
    parts = [key.split("|") for key in row.tasks]
    return ", ".join(dict.fromkeys(part[1] for part in parts if part[0] == batch.id))


def _facts(farm: Farm, batch: Batch) -> tuple[str, ...]:
    """Return what became of a batch."""
    lot = f"Seed lot {batch.lot}" if batch.lot else "No seed lot entered"
    fates = ", ".join(f"{batch.trays(fate)} {fate.value}" for fate in Fate if batch.trays(fate))
    cut = [entry for entry in batch.entries if entry.kind is EntryKind.HARVESTED and entry.data.get("grams")]
    grams = sum(float(entry.data["grams"]) for entry in cut)
    trays = sum(entry.trays or 0 for entry in cut)
    each = f", {say_g(grams / trays, farm.units)} a tray" if trays else ""
    harvest = (f"Cut {say_g(grams, farm.units)}{each}",) if grams else ()
    return (lot, f"Trays: {fates or 'none yet'}", *harvest)


def _deed(farm: Farm, entry: Entry) -> str:
    """Return an entry in words."""
    trays = f", {say_trays(entry.trays)}" if entry.trays else ""
    shown = {"grams": "g", "ml_per_tray": "ml each", "why": "", "text": "", "whom": ""}
    more = "".join(f", {entry.data[key]} {unit}".rstrip() for key, unit in shown.items() if entry.data.get(key))
    where = f", {farm.places.name(entry.spot)}" if entry.spot else ""
    return f"{entry.kind.value}{trays}{where}{more}"


def render(report: GrowReport) -> str:
    """Return the page as HTML; everything that a person typed is escaped."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    text = (files("dashboards") / "templates" / "grow.html.j2").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pictures = [Markup(batch.svg) for batch in report.batches]  # our own renderer's SVG, which escapes texts
    return environment.from_string(text).render(report=report, pictures=pictures)


def write_report(report: GrowReport, path: Path) -> None:
    """Write the page to a file."""
    path.write_text(render(report), encoding="utf-8")
