"""The look-back as one self-contained page, as tables to open elsewhere, and as the documented JSON."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from dashboards.batchdays import days_of
from dashboards.charts import picture_svg
from dashboards.daypicture import DayPicture, describe, with_compared
from dashboards.lookback import LookBack
from dashboards.lookbackwords import LookBackPage, page_of
from dashboards.waterdays import Read
from monitor.amounts import say_list
from monitor.banded import Banded
from monitor.doses import doses_of
from monitor.readings import from_ms
from monitor.review import BatchFacts, PhaseFacts

SCHEMA = "traywarden.lookback/1"
IN_GREY = 4
"""So many of the good batches lie in grey beneath the picture. Ours."""
_STAMP = (1980, 1, 1, 0, 0, 0)


def picture_of(
    found: LookBack, tick: Tick, read: Read, read_rolled: Read, sent: Sequence[OutboxRow] = ()
) -> DayPicture:
    """Return the days of the batch, with those of good batches of its crop beneath.

    Args:
        found: The look-back.
        tick: Its moment.
        read: Readings as they are.
        read_rolled: Readings rolled up.
        sent: Messages to people.
    """
    record = found.facts.record
    own = days_of(record.batch, record.profile, tick, read, sent=sent)
    others = [each.facts.record for each in found.good_of_crop[:IN_GREY]]
    return with_compared(own, [days_of(each.batch, each.profile, tick, read_rolled) for each in others])


def render(found: LookBack, picture: DayPicture, photos: Sequence[str] = (), *, style: str = "") -> str:
    """Return the page as HTML that asks nobody for anything; everything that a person typed is escaped.

    Args:
        found: The look-back.
        picture: Its days.
        photos: Pictures of the batch, as addresses.
        style: Address of its style; empty: the style stands in the page.
    """
    from markupsafe import Markup

    from dashboards.printing import fill

    return fill(
        "lookback.html.j2",
        page=page_of(found),
        picture=Markup(picture_svg(picture)),  # our own renderer's SVG, which escapes texts
        picture_says=describe(picture),
        compared_in_grey=say_list(list(picture.compared)),
        photos=list(photos),
        style=style,
    )


def lookback_css() -> str:
    """Return the style of the page."""
    from dashboards.printing import fill

    return fill("lookback.css.j2")


def page_lines(page: LookBackPage) -> list[str]:
    """Return the page as plain lines, for a terminal."""
    lines = [f"{page.farm}: look-back, {page.title}, {page.made}"]
    lines += [f"ON HOLD: do not cut, do not deliver. {why}" for why in page.held]
    lines += ["", *(each.text for each in page.verdict), "", "By phase"]
    for place, name in enumerate(page.phase_names):
        lines.append(f"  {name}")
        lines += [f"    {row}: {cells[place]}" for row, cells in page.phases if cells[place]]
    if page.suspects:
        lines += ["", "Suspects", f"  {page.suspects_say}"]
        for each in page.suspects:
            lines.append(f"  {each.chance:>10}  {each.name}")
            lines += [f"              for: {line}" for line in each.speaks_for]
            lines += [f"              against: {line}" for line in each.speaks_against]
        lines.append(f"  What would tell most: {page.most_telling}")
    lines += ["", "Against good batches", f"  {page.compared_says}"]
    lines += [
        f"  {name}: {own}; good ones {span}; distance {far}; chance {chance}"
        for name, own, span, far, chance in page.compared
    ]
    lines += [f"  Alike in all of them: {page.alike}"] if page.alike else []
    for title, rows in (("Batches beside it", page.beside), ("What was told, and what was done", page.nudges)):
        lines += ["", title, *(f"  {'; '.join(row)}" for row in rows)]
        lines += [] if rows else ["  none"]
    return [*lines, "", *page.cautions]


# --- tables ---------------------------------------------------------------------------------------------------------


def _csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows as CSV (RFC 4180); a cell that a spreadsheet would run as a formula gets an apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(head)
    for row in rows:
        writer.writerow([_harmless(cell) for cell in row])
    return out.getvalue()


def _harmless(cell: object) -> object:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def tables_of(found: LookBack) -> dict[str, str]:
    """Return all that stands on the page as CSV texts by file name."""
    page, everyone = page_of(found), [found.facts, *(each.facts for each in found.beside)]
    return {
        "verdict.csv": _csv(("sentence", "place"), [(each.text, each.place) for each in page.verdict]),
        "phases.csv": _csv(
            ("batch", *_PHASE_COLUMNS),
            [(facts.record.batch.id, *_phase_values(phase)) for facts in everyone for phase in facts.phases],
        ),
        "doses.csv": _csv(
            ("batch", "cause", "dose", "known"),
            [
                (facts.record.batch.id, cause, dose.value, round(dose.known, 4))
                for facts in everyone
                for cause, dose in doses_of(facts).items()
            ],
        ),
        "suspects.csv": _csv(
            ("cause", "chance", "alone", "dose", "known", "harmful", "good_with_as_much", "poor_with_as_much"),
            [
                (
                    each.key, round(each.chance, 5), round(each.alone, 5), each.dose.value, round(each.dose.known, 4),
                    each.harmful, " ".join(each.good_with_as_much), " ".join(each.poor_with_as_much),
                )
                for each in found.suspects
            ],
        ),
        "compared.csv": _csv(
            ("factor", "unit", "value", "good", "distance", "chance", "least_chance"),
            [
                (
                    row.name, row.unit, row.value, " ".join(f"{each:g}" for each in row.good), row.distance, row.chance,
                    row.least,
                )
                for row in found.compared
            ],
        ),
        "batches.csv": _csv(_OUTCOME_COLUMNS, [_outcome_values(facts, found) for facts in everyone]),
        "nudges.csv": _csv(
            ("task", "asked_at", "times", "was_late", "done_at", "put_off_at"),
            [
                (
                    each.task, _stamp(each.asked_at), each.times, each.was_late, _stamp(each.done_at),
                    _stamp(each.put_off_at),
                )
                for each in found.facts.record.nudges
            ],
        ),
        "pours.csv": _csv(
            ("at", "ml_a_tray", "entered", "asked_for", "hours_after"),
            [
                (_stamp(pour.at), pour.ml, pour.entered, pour.asked, pour.late_h)
                for phase in found.facts.phases
                for pour in phase.pours
            ],
        ),
    }  # fmt: skip


def _stamp(at: datetime | None) -> str:
    """Return an instant in RFC 3339, or nothing."""
    return "" if at is None else at.isoformat()


_OUTCOME_COLUMNS = (
    "batch", "crop", "why", "judged", "stand", "evenness", "signs", "sown", "cut", "living", "lost", "yield_g", "days",
    "lot", "medium", "place",
)  # fmt: skip


def _outcome_values(facts: BatchFacts, found: LookBack) -> tuple[object, ...]:
    """Return one batch's outcome as a row."""
    record, outcome = facts.record, facts.record.outcome
    why = next((each.why.value for each in found.beside if each.facts is facts), "looked back on")
    return (
        record.batch.id, record.profile.id, why, outcome.judged.value, outcome.stand, outcome.evenness,
        " ".join(outcome.signs), outcome.sown, outcome.cut, outcome.living, outcome.lost, outcome.yield_g, outcome.days,
        record.lot, record.medium, record.spot,
    )  # fmt: skip


_PHASE_COLUMNS = (
    "phase", "begins", "ends", "begins_known_by", "days", "heat_sum_c_d", "heat_known", "temperature_in_band",
    "cold_c_h", "heat_c_h", "humidity_in_band", "deficit_kpa", "near_saturation_h", "lit_h_a_day", "mol_m2_a_day",
    "leak_h", "driest", "wettest", "limp_h", "soaked_h", "pours", "lifts",
)  # fmt: skip


def _phase_values(phase: PhaseFacts) -> tuple[object, ...]:
    """Return one phase as a row."""
    plain = phase_json(phase)
    warm, damp = plain["temperature"] or {}, plain["humidity"] or {}
    light, water = plain["light"] or {}, plain["water"] or {}
    return (
        plain["phase"], plain["begins_at"], plain["ends_at"], plain["begins_known_by"], plain["days"],
        plain["heat_sum_c_d"], plain["heat_known"], warm.get("in_band"), warm.get("low_dose"), warm.get("high_dose"),
        damp.get("in_band"), plain["deficit_kpa"], plain["near_saturation_h"], light.get("lit_h"), light.get("mol_m2"),
        plain["leak_h"], water.get("driest"), water.get("wettest"), water.get("limp_h"), water.get("soaked_h"),
        len(phase.pours), len(phase.lifts),
    )  # fmt: skip


def to_zip(found: LookBack) -> bytes:
    """Return all tables in one zip file; the same look-back gives the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in tables_of(found).items():
            packed.writestr(zipfile.ZipInfo(name, _STAMP), text, zipfile.ZIP_DEFLATED)
    return out.getvalue()


# --- JSON -----------------------------------------------------------------------------------------------------------


def lookback_json(found: LookBack) -> dict[str, Any]:
    """Return the look-back as the documented JSON."""
    page, record = page_of(found), found.facts.record
    return {
        "schema": SCHEMA,
        "batch": record.batch.id,
        "crop": record.profile.id,
        "at": found.now.isoformat(),
        "on_hold": list(found.held),
        "verdict": [asdict(each) for each in page.verdict],
        "outcome": {
            **asdict(record.outcome),
            "judged": record.outcome.judged.value,
            "ended_at": _stamp(record.outcome.ended_at),
        },
        "phases": [phase_json(phase) for phase in found.facts.phases],
        "beside": [
            {
                "batch": each.facts.record.batch.id,
                "crop": each.facts.record.profile.id,
                "why": each.why.value,
                "judged": each.facts.record.outcome.judged.value,
            }
            for each in found.beside
        ],
        "compared": [asdict(row) for row in found.compared],
        "suspects": [
            {
                "cause": each.key,
                "name": each.name,
                "chance": each.chance,
                "alone": each.alone,
                "dose": each.dose.value,
                "known": each.dose.known,
                "harmful": each.harmful,
                "good_with_as_much": list(each.good_with_as_much),
                "poor_with_as_much": list(each.poor_with_as_much),
                "signs_for": list(each.signs_for),
                "signs_against": list(each.signs_against),
                "tell": each.tell,
            }
            for each in found.suspects
        ],
        "most_telling": page.most_telling,
        "nudges": [
            {
                "task": each.task,
                "asked_at": each.asked_at.isoformat(),
                "times": each.times,
                "was_late": each.was_late,
                "done_at": _stamp(each.done_at) or None,
                "put_off_at": _stamp(each.put_off_at) or None,
            }
            for each in record.nudges
        ],
        "cautions": list(page.cautions),
    }


def phase_json(phase: PhaseFacts) -> dict[str, Any]:
    """Return one phase as the documented JSON."""
    stretch = phase.stretch
    return {
        "phase": stretch.kind.value,
        "begins_at": from_ms(stretch.begin_ms).isoformat(),
        "ends_at": from_ms(stretch.end_ms).isoformat(),
        "begins_known_by": stretch.begins.value,
        "days": stretch.days,
        "planned_days": None if phase.planned is None else list(phase.planned),
        "heat_sum_c_d": phase.heat_sum,
        "heat_known": phase.heat_known,
        **{
            quantity: next((_banded_json(each) for key, each in phase.banded.items() if key.value == quantity), None)
            for quantity in ("temperature", "humidity")
        },
        "deficit_kpa": phase.deficit_kpa,
        "near_saturation_h": phase.near_saturation_h,
        "light": None if phase.light is None else asdict(phase.light),
        "leak_h": phase.leak_h,
        "water": None if phase.water is None else asdict(phase.water),
        "pours": [
            {
                "at": pour.at.isoformat(),
                "ml": pour.ml,
                "entered": pour.entered,
                "asked": pour.asked,
                "late_h": pour.late_h,
            }
            for pour in phase.pours
        ],
        "lifts": [{"at": at.isoformat(), "early_days": early} for at, early in phase.lifts],
        "good_data": {quantity.value: share for quantity, share in phase.good_data.items()},
    }


def _banded_json(banded: Banded) -> dict[str, Any]:
    """Return a quantity against its band."""
    run = banded.worst
    worst = None if run is None else {
        "is_low": run.is_low,
        "begins_at": from_ms(run.begin_ms).isoformat(), "ends_at": from_ms(run.end_ms).isoformat(),
        "hours": run.hours, "farthest": run.farthest, "limit": run.limit, "dose": run.dose,
    }  # fmt: skip
    return {**asdict(banded), "worst": worst}
