"""A season as a page, as lines, as a table and as JSON; and the way of a lot or a batch likewise."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from dashboards.printing import Table, crop_word, fill
from monitor.amounts import say_day, say_g, say_ml, say_time, say_trays
from monitor.farm import Farm
from monitor.holds import RECALL
from monitor.profiles import Profile
from monitor.season import CAVEAT, GroupRow, Season
from monitor.trace import Trace

NO_NOTICE = (
    "What stands here is what was entered, one step back and one step forward. A recall follows the instructions of "
    "your food-safety authority and of the seed's supplier: ask them first. Local food-safety rules decide."
)
NOT_SOLD = "A mouldy or doubtful batch is not sold; local food-safety rules decide."


def season_tables(season: Season, farm: Farm, profiles: Mapping[str, Profile]) -> tuple[Table, ...]:
    """Return the tables of a season in words."""
    head = ("crop", "", "batches", "good", "poor", "poor, 95 %", "yield a tray", "days", "water a tray")
    chances = ("poor: chance", "yield: chance", "days: chance")
    kinds = (
        ("By crop", "", season.crops),
        ("By seed lot", "Each lot against the crop's other batches.", season.lots),
        ("By place", "Each shelf against the crop's other batches.", season.places),
        ("By month of sowing", "Each month against the crop's other batches.", season.months),
    )
    found = []
    for title, says, rows in kinds:
        with_chances = title != "By crop"
        found.append(
            Table(
                title=title,
                says=says,
                columns=(*head, *chances) if with_chances else head,
                rows=tuple(
                    _group(row, farm, profiles, with_chances=with_chances, place=title == "By place") for row in rows
                ),
            )
        )
    stands = tuple(
        (crop_word(each.crop, profiles), each.lot, say_day(each.sown_on), each.batch, f"{each.stand:g}")
        for each in season.stands
    )
    found.append(
        Table(
            title="Stand of each lot over time", says="", columns=("crop", "lot", "sown", "batch", "stand"), rows=stands
        )
    )
    return tuple(found)


def _group(
    row: GroupRow, farm: Farm, profiles: Mapping[str, Profile], *, with_chances: bool, place: bool
) -> tuple[str, ...]:
    """Return one group as cells."""
    low_high = "" if row.poor_95 is None else f"{row.poor_95[0]:.0f} to {row.poor_95[1]:.0f} %"
    small = " (few)" if row.is_small else ""
    cells = (
        crop_word(row.crop, profiles),
        farm.places.name(row.group) if place else row.group,
        str(row.batches),
        str(row.good),
        f"{row.poor}{small}",
        low_high,
        "" if row.yield_g is None else say_g(row.yield_g, farm.units),
        "" if row.days is None else f"{row.days:g}",
        "" if row.water_ml is None else say_ml(row.water_ml, farm.units),
    )
    if not with_chances:
        return cells
    return (*cells, *(_chance(each) for each in (row.poor_chance, row.yield_chance, row.days_chance)))


def _chance(chance: float | None) -> str:
    """Return a chance."""
    return "" if chance is None else "under 0.01" if chance < 0.01 else f"{chance:.2f}"


def season_json(season: Season) -> dict[str, Any]:
    """Return a season as the documented JSON."""
    plain = asdict(season)
    for point in plain["stands"]:
        point["sown_on"] = point["sown_on"].isoformat()
    return {
        "schema": "traywarden.season/1",
        **plain,
        "first": season.first.isoformat(),
        "last": season.last.isoformat(),
        "caveat": CAVEAT,
    }


# --- the way of a lot -----------------------------------------------------------------------------------------------


def trace_tables(trace: Trace, farm: Farm, profiles: Mapping[str, Profile]) -> tuple[Table, ...]:
    """Return the way of a lot or batch as tables in words."""

    def when(at: datetime | None) -> str:
        return "" if at is None else say_time(at, farm.zone)

    lots = tuple(
        (
            lot.id, crop_word(lot.crop or "", profiles), lot.supplier or "not entered",
            "" if lot.bought_g is None else say_g(lot.bought_g, farm.units), say_g(lot.sown_g, farm.units),
            "" if lot.use_by is None else lot.use_by.isoformat(),
            {True: "treated", False: "untreated", None: "not said"}[lot.treated],
        )
        for lot in trace.lots
    )  # fmt: skip
    batches = tuple(
        (
            each.batch, crop_word(each.crop, profiles), ", ".join(each.lots), each.supplier or "not entered",
            each.medium, when(each.sown_at), str(each.sown), ", ".join(f"{count} {fate}" for fate, count in each.fates),
            "; ".join(f"{farm.places.name(place)} from {when(since)}" for place, since in each.stays),
            "; ".join(each.on_hold),
        )
        for each in trace.batches
    )  # fmt: skip
    gone = tuple(
        (
            when(each.at), each.whom or "nobody wrote it down", each.batch, crop_word(each.crop, profiles),
            say_trays(each.trays), "" if each.grams is None else say_g(each.grams, farm.units),
            "living" if each.living else "cut", str(each.entry),
        )
        for each in trace.gone
    )  # fmt: skip
    here = tuple(
        (each.batch, crop_word(each.crop, profiles), say_trays(each.trays), farm.places.name(each.spot),
         "cut" if each.is_cut else "standing")
        for each in trace.here
    )  # fmt: skip
    holds = tuple(
        (each.target, each.why, when(each.at), each.by, when(each.ended_at), each.ended_by, each.ended_why)
        for each in trace.holds
    )
    thrown = tuple(
        (when(at), each.batch, say_trays(trays) if trays else "all", why)
        for each in trace.batches
        for at, trays, why in each.thrown_away
    )
    cleaned = tuple((when(at), farm.places.name(spot), what) for at, spot, what in trace.cleaned)
    also = f"Other batches of the same lots: {', '.join(trace.also_of_lot)}." if trace.also_of_lot else ""
    missing = f"Never entered on their own: {', '.join(trace.not_entered)}." if trace.not_entered else ""
    return (
        Table(title="One step back: seed", says=missing, rows=lots,
              columns=("lot", "crop", "supplier as entered", "bought", "sown", "use by", "seed")),
        Table(title="Batches", says=also, rows=batches,
              columns=("batch", "crop", "lot", "supplier", "medium", "sown", "trays", "what became of them", "where",
                       "on hold")),
        Table(title="One step forward: who took delivery, as entered", says="", rows=gone,
              columns=("when", "whom", "batch", "crop", "trays", "weight", "as", "entry")),
        Table(title="Still here", says="", rows=here, columns=("batch", "crop", "trays", "where", "as")),
        Table(title="Holds", says="", rows=holds,
              columns=("what", "why", "since", "by", "ended", "ended by", "why ended")),
        Table(title="Thrown away", says="", rows=thrown, columns=("when", "batch", "trays", "why")),
        Table(title="Cleaned since", says="", rows=cleaned, columns=("when", "where", "with")),
    )  # fmt: skip


def trace_json(trace: Trace) -> dict[str, Any]:
    """Return the way of a lot or batch as the documented JSON."""
    return {"schema": "traywarden.trace/1", **_plain(asdict(trace)), "notice": RECALL}


def _plain(value: Any) -> Any:
    """Return a value with days and instants as RFC 3339 texts."""
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return value.isoformat() if hasattr(value, "isoformat") else value


# --- pages, lines, tables -------------------------------------------------------------------------------------------


def render(title: str, farm: Farm, made: datetime, tables: Sequence[Table], lines: Sequence[str]) -> str:
    """Return tables as one page to print; everything that a person typed is escaped."""
    return fill(
        "tables.html.j2", title=title, farm=farm.name, made=say_time(made, farm.zone), tables=tables, lines=lines
    )


def text_lines(tables: Sequence[Table]) -> list[str]:
    """Return tables as plain lines; empty ones say so."""
    lines = []
    for table in tables:
        lines += ["", table.title, *([f"  {table.says}"] if table.says else [])]
        for row in table.rows:
            named = [f"{name}: {cell}" if name else cell for name, cell in zip(table.columns, row, strict=True) if cell]
            lines.append(f"  {'; '.join(named)}")
        lines += [] if table.rows else ["  nothing was entered"]
    return lines


def to_csv(tables: Iterable[Table]) -> str:
    """Return all tables as one CSV (RFC 4180), the table's name first; no cell can be taken for a formula."""
    out = io.StringIO()
    writer = csv.writer(out)
    for table in tables:
        writer.writerow(["table", *(name or "group" for name in table.columns)])
        for row in table.rows:
            writer.writerow([table.title, *(f"'{cell}" if cell[:1] in tuple("=+-@\t\r") else cell for cell in row)])
    return out.getvalue()
