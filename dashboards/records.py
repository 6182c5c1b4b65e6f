"""What others ask to see, for some days: as values, and from those one page to print and one table of values; pure.

It repeats the ledger and adds no judgement; it says of itself that it is no certificate.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from typing import Any

from dashboards.printing import crop_word, fill
from monitor.amounts import say_day, say_g, say_temp, say_time
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.farm import Farm
from monitor.holds import delivered_trays, lots_sown
from monitor.ledger import Entry, EntryKind, effective
from monitor.profiles import Profile

NO_CERTIFICATE = (
    "This is what the people of the farm wrote down in their own book, and nothing else. It is no certificate: nobody "
    "outside has checked it, and it cannot say that food is safe. Which records are needed, and for how long they are "
    "kept, is for your food-safety authority to say."
)

COLD_STORE, WATER_TEST, HAND_OVER = "cold-store temperature", "water test", "hand-over"

SECTIONS = (
    "Holds", "Cold store", "Cleaning", "Water tests", "Seed lots", "Sowings", "Harvests", "Deliveries", "Discards",
    "Hand-over lines",
)  # fmt: skip

_SECTION_OF = {
    EntryKind.HELD: "Holds",
    EntryKind.RELEASED: "Holds",
    EntryKind.CLEANED: "Cleaning",
    EntryKind.LOT: "Seed lots",
    EntryKind.GERMINATED: "Seed lots",
    EntryKind.SOAKED: "Sowings",
    EntryKind.SOWN: "Sowings",
    EntryKind.HARVESTED: "Harvests",
    EntryKind.DELIVERED: "Deliveries",
    EntryKind.DISCARDED: "Discards",
}
_RECORDED = {COLD_STORE: "Cold store", WATER_TEST: "Water tests", HAND_OVER: "Hand-over lines"}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRow:
    """One entry, as the page and the table show it; what does not belong to it is empty.

    Attributes:
        section: Under which heading.
        entry: Number in the ledger.
        at: When it was done, RFC 3339 in the farm's zone.
        when: The same in words.
        what: What was done or seen.
        batch: Batch id.
        crop: What it is.
        lot: Seed lot.
        trays: How many trays.
        amount: Weight, temperature or share, with its unit.
        place: Where.
        whom: Who took it, or who it came from.
        by: Who entered it.
        recorded: When it was written down, in words, where that was on another day.
        corrects: Number of the entry that it corrects.
    """

    section: str
    entry: str
    at: str
    when: str
    what: str
    batch: str = ""
    crop: str = ""
    lot: str = ""
    trays: str = ""
    amount: str = ""
    place: str = ""
    whom: str = ""
    by: str
    recorded: str = ""
    corrects: str = ""


COLUMNS = (
    ("when", "When"), ("what", "What"), ("batch", "Batch"), ("crop", "Crop"), ("lot", "Lot"), ("trays", "Trays"),
    ("amount", "Amount"), ("place", "Where"), ("whom", "From or to"), ("by", "By"), ("recorded", "Written down"),
    ("corrects", "Corrects"), ("entry", "Entry"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSection:
    """One heading with its rows.

    Attributes:
        title: The heading.
        columns: (field, heading) of the columns that have something in them.
        rows: The rows, oldest first.
    """

    title: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[RecordRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordsPage:
    """The whole page.

    Attributes:
        farm: The farm's name.
        from_on: First local day.
        to_on: Last local day.
        span: Both in words, with the year.
        printed: When it was made, in words.
        sections: All headings, those with nothing under them too.
        replaced: How many entries of these days were corrected or withdrawn; the ledger keeps them.
        no_certificate: What it is not.
    """

    farm: str
    from_on: date
    to_on: date
    span: str
    printed: str
    sections: tuple[RecordSection, ...]
    replaced: int
    no_certificate: str = NO_CERTIFICATE


def build_records(
    farm: Farm,
    profiles: Mapping[str, Profile],
    batches: Mapping[str, Batch],
    entries: Sequence[Entry],
    *,
    from_on: date,
    to_on: date,
    now: datetime,
) -> RecordsPage:
    """Return what was entered for the local days from one to another, both included, that others ask to see."""
    meant = [entry for entry in entries if from_on <= local_day(entry.at, farm.zone) <= to_on]
    standing = effective(entries)
    kept = {entry.id for entry in standing}
    rows = [row for entry in standing if entry in meant for row in _rows(entry, farm, profiles, batches)]
    replaced = [entry for entry in meant if entry.id not in kept and entry.kind is not EntryKind.WITHDRAWN]
    return RecordsPage(
        farm=farm.name,
        from_on=from_on,
        to_on=to_on,
        span=f"{say_day(from_on)} {from_on.year} to {say_day(to_on)} {to_on.year}",
        printed=f"{say_time(now, farm.zone)} {local_day(now, farm.zone).year}",
        sections=tuple(_section(title, [row for row in rows if row.section == title]) for title in SECTIONS),
        replaced=len(replaced),
    )


def _section(title: str, rows: Sequence[RecordRow]) -> RecordSection:
    """Return one heading with the columns that have something in them."""
    columns = tuple((name, head) for name, head in COLUMNS if any(getattr(row, name) for row in rows))
    return RecordSection(title=title, columns=columns, rows=tuple(rows))


def _rows(
    entry: Entry, farm: Farm, profiles: Mapping[str, Profile], batches: Mapping[str, Batch]
) -> Iterable[RecordRow]:
    """Yield the row of an entry that belongs on the page; none for others."""
    section = _RECORDED.get(str(entry.data.get("what"))) if entry.kind is EntryKind.RECORDED else None
    section = section or _SECTION_OF.get(entry.kind)
    if section is None:
        return
    batch = batches.get(entry.batch or "")
    crop = str(entry.data.get("crop") or (batch.crop if batch else ""))
    lots = [str(entry.data["lot"])] if entry.data.get("lot") else list(lots_sown(batch)) if batch else []
    local = entry.at.astimezone(farm.zone)
    later = local_day(entry.recorded_at, farm.zone) != local.date()
    yield RecordRow(
        section=section,
        entry=str(entry.id),
        at=local.isoformat(timespec="minutes"),
        when=say_time(entry.at, farm.zone),
        what=_what(entry, farm),
        batch=entry.batch or "",
        crop=crop_word(crop, profiles),
        lot=", ".join(lots),
        trays=_trays(entry, batch),
        amount=_amount(entry, farm),
        place=farm.places.name(entry.spot) if entry.spot else "",
        whom=str(entry.data.get("whom") or entry.data.get("supplier") or ""),
        by=entry.by,
        recorded=say_time(entry.recorded_at, farm.zone) if later else "",
        corrects=str(entry.corrects) if entry.corrects else "",
    )


def _what(entry: Entry, farm: Farm) -> str:
    """Return what was done or seen, in a person's own words where there are any."""
    data = entry.data
    if entry.kind is EntryKind.RECORDED:
        return str(data.get("text") or data["what"])
    if entry.kind is EntryKind.GERMINATED:
        label = f", label {data['label_pct']:g} %" if data.get("label_pct") is not None else ""
        return f"germination test, {data['germinated']} of {data['seeds']}{label}"
    if entry.kind is EntryKind.DELIVERED:
        kind = "living trays" if data.get("living") else "cut" if data.get("living") is False else "delivered"
        return f"{kind}, AGAINST A HOLD" if data.get("against_hold") else kind
    if entry.kind in (EntryKind.HELD, EntryKind.RELEASED):
        return f"{'put on hold' if entry.kind is EntryKind.HELD else 'released'}: {data.get('why', '')}"
    words = [entry.kind.value, *(_seed_words(data) if entry.kind in _SEED else []), _own_words(data)]
    return ", ".join(word for word in words if word)


_SEED = (EntryKind.LOT, EntryKind.SOWN, EntryKind.SOAKED)


def _seed_words(data: Mapping[str, object]) -> list[str]:
    """Return what an entry says of its seed."""
    treated = "" if data.get("treated") is None else "TREATED" if data["treated"] else "untreated"
    packed = f"packed {data['packed_on']}" if data.get("packed_on") else ""
    use_by = f"use by {data['use_by']}" if data.get("use_by") else ""
    return [treated, packed, use_by]


def _own_words(data: Mapping[str, object]) -> str:
    """Return the words that a person typed with an entry."""
    return str(data.get("why") or data.get("text") or data.get("with") or "")


def _trays(entry: Entry, batch: Batch | None) -> str:
    """Return how many trays an entry meant."""
    if entry.kind in (EntryKind.HARVESTED, EntryKind.DELIVERED, EntryKind.DISCARDED) and batch is not None:
        return str(delivered_trays(entry, batch) or "")
    return str(entry.trays or "")


def _amount(entry: Entry, farm: Farm) -> str:
    """Return the amount that an entry carries, with its unit."""
    data = entry.data
    if data.get("temp_c") is not None:
        return _exact_temp(float(data["temp_c"]), farm)
    if entry.kind is EntryKind.SOWN and data.get("seed_g_per_tray") is not None:
        return f"{say_g(float(data['seed_g_per_tray']) * (entry.trays or 0), farm.units)} seed"
    if entry.kind is EntryKind.SOAKED and data.get("seed_g") is not None:
        return f"{say_g(float(data['seed_g']), farm.units)} seed"
    return say_g(float(data["grams"]), farm.units) if data.get("grams") is not None else ""


def _exact_temp(celsius: float, farm: Farm) -> str:
    """Return a temperature to a tenth, as it was read off."""
    return say_temp(celsius, farm.units) if farm.units == "US" else f"{celsius:.1f} °C"


def page_lines(page: RecordsPage) -> list[str]:
    """Return the page as plain lines."""
    lines = [f"{page.farm}: records, {page.span}", page.no_certificate]
    for section in page.sections:
        lines += ["", section.title]
        lines += [f"  {_line(row, section)}" for row in section.rows] or ["  nothing was entered"]
    if page.replaced:
        lines += ["", _replaced(page.replaced)]
    return lines


def _line(row: RecordRow, section: RecordSection) -> str:
    """Return a row in one line."""
    named = {"batch": "batch ", "lot": "lot ", "trays": "trays ", "corrects": "corrects ", "recorded": "written down "}
    shown = [name for name, _ in section.columns if name not in ("when", "by", "entry") and getattr(row, name)]
    words = [f"{named.get(name, '')}{getattr(row, name)}" for name in shown]
    return f"{row.when}  {', '.join(words)} ({row.by}, entry {row.entry})"


def _replaced(count: int) -> str:
    """Return that entries were replaced, in words."""
    are = "entry of these days was" if count == 1 else "entries of these days were"
    return f"{count} {are} corrected or withdrawn; the book keeps the old ones too."


def to_csv(page: RecordsPage) -> str:
    """Return all rows as CSV (RFC 4180); a cell that a spreadsheet would run as a formula gets an apostrophe."""
    names = [each.name for each in fields(RecordRow)]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(names)
    for section in page.sections:
        for row in section.rows:
            writer.writerow([_harmless(getattr(row, name)) for name in names])
    return out.getvalue()


def _harmless(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def render(page: RecordsPage) -> str:
    """Return the page as HTML to print; everything that a person typed is escaped."""
    return fill("records.html.j2", page=page, replaced=_replaced(page.replaced) if page.replaced else "")


def records_facts(page: RecordsPage, files: Sequence[str] = ()) -> dict[str, Any]:
    """Return the records as the documented JSON.

    Args:
        page: The records.
        files: Files that they were written to.
    """
    days = {"from_on": page.from_on.isoformat(), "to_on": page.to_on.isoformat()}
    return {"schema": "traywarden.records/1", **asdict(page), **days, "files": list(files)}
