"""What a batch's own page shows: how it stands, its days, figures by phase, what can be entered, and its log; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from alerts.findings import Tick
from alerts.holding import HEAD, held_facts
from alerts.proposals import Proposal
from dashboards.daypicture import DayPicture, Panel, Shade, Spread, spread
from dashboards.facts.measured import Measured, measured, say_value
from dashboards.pages.ages import is_old, say_age
from dashboards.pages.batchlog import LogLine, last_words, log_lines
from dashboards.pages.boards import phase_words
from dashboards.pages.deeds import DeedForm, deed_forms
from monitor.amounts import say_day, say_g, say_ml, say_time, say_trays
from monitor.batches import Batch, Fate, Part
from monitor.clock import day_number, local_day
from monitor.ledger import Entry, EntryKind
from monitor.light import light_days
from monitor.phases import Standing, phase_now, spans
from monitor.profiles import PhaseKind, PhasePlan, Profile
from monitor.reach import NOT_MEASURED
from monitor.readings import Quantity, Reading, to_ms
from monitor.undoing import last_answer
from monitor.verbs import next_words

LEAST_LIT_H = 12.0
"""From so many known hours of whole days on it is said how many were lit. Ours. [h]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureView:
    """The picture of the days as the page loads it.

    Attributes:
        key: Name of its content.
        says: What it shows, in words.
        address: Where it is drawn; width and theme are put behind it.
        readings_until: Until when readings stand in it.
    """

    key: str
    says: str
    address: str
    readings_until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseFigures:
    """One phase that has begun.

    Attributes:
        name: What it is called.
        days: From when to when, and how many days of how many.
        lines: Figures, as (what, words).
        pours: What was poured in it; empty: nothing.
    """

    name: str
    days: str
    lines: tuple[tuple[str, str], ...]
    pours: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a scale saw that nobody has entered.

    Attributes:
        key: Its four letters.
        says: What was seen.
    """

    key: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchPage:
    """The page of one batch.

    Attributes:
        batch: Batch id.
        title: Number and crop.
        says: Day and phase in one line.
        hold_head: What is said first of a hold; empty: none stands.
        holds: Why.
        facts: How it stands, a line each.
        ahead: What comes next.
        measured: (what, value, age) of now.
        seen: What waits for a word.
        picture: Its days; None: nothing has begun.
        phases: Figures by phase.
        forms: What can be entered.
        log: Its entries, newest first.
        last: What was entered last by whoever looks, and can be taken back whole; empty: nothing.
        last_number: Number of the newest entry of that; 0: nothing.
        units_g: Unit in which weights are typed.
        units_ml: Unit in which water is typed.
        typed: What stood in a form that was refused.
        open: The form that was refused; empty: none.
        wrong: Why it was refused; empty: it was not.
        nonce: Makes each showing of the page one of its own.
    """

    batch: str
    title: str
    says: str
    hold_head: str
    holds: tuple[str, ...]
    facts: tuple[str, ...]
    ahead: tuple[str, ...]
    measured: tuple[tuple[str, str, str], ...]
    seen: tuple[Seen, ...]
    picture: PictureView | None
    phases: tuple[PhaseFigures, ...]
    forms: tuple[DeedForm, ...]
    log: tuple[LogLine, ...]
    last: str
    last_number: int
    units_g: str
    units_ml: str
    typed: Mapping[str, str]
    open: str
    wrong: str
    nonce: str


def build_batch(
    batch: Batch,
    tick: Tick,
    entries: Sequence[Entry],
    *,
    picture: DayPicture | None,
    view: PictureView | None,
    latest: Mapping[str, Reading],
    seen: Iterable[Proposal],
    person: str | None,
    nonce: str,
    typed: Mapping[str, str] | None = None,
    opened: str = "",
    wrong: str = "",
) -> BatchPage:
    """Return the page of one batch.

    Args:
        batch: The batch.
        tick: The moment.
        entries: The whole ledger.
        picture: Its days; None: nothing has begun, or its crop has no profile.
        view: The same, as the page loads it.
        latest: The newest reading of each sensor.
        seen: What the scales saw that nobody entered.
        person: Who looks.
        nonce: Makes this showing of the page one of its own.
        typed: What stood in a form that was refused.
        opened: Which form that was.
        wrong: Why it was refused.
    """
    profile = tick.profiles.get(batch.crop)
    name = profile.name.lower() if profile else batch.crop
    us = tick.farm.units == "US"
    answer = last_answer(entries, person)
    forms = deed_forms(batch, tick)
    return BatchPage(
        batch=batch.id,
        title=f"Batch {batch.id} {name}",
        says=_says(batch, profile, tick),
        hold_head=HEAD if batch.holds else "",
        holds=(held_facts(batch, tick),) if batch.holds else (),
        facts=tuple(_facts(batch, profile, tick)),
        ahead=next_words(batch, profile, now=tick.now, zone=tick.farm.zone) if profile and not batch.is_over else (),
        measured=tuple(_measured(batch, profile, tick, latest)),
        seen=tuple(Seen(key=each.key, says=each.says) for each in seen if each.batch == batch.id),
        picture=view,
        phases=tuple(_phases(batch, profile, tick, picture)),
        forms=forms,
        log=tuple(log_lines(batch, tick, entries)),
        last=last_words(batch, tick, answer),
        last_number=answer[-1].id if answer else 0,
        units_g="oz" if us else "g",
        units_ml="cups" if us else "ml",
        typed=dict(typed or {}),
        open=opened if any(form.deed == opened for form in forms) else "",
        wrong=wrong,
        nonce=nonce,
    )


def _says(batch: Batch, profile: Profile | None, tick: Tick) -> str:
    """Return how a batch stands, in one line."""
    if batch.is_over:
        return ", ".join(f"{say_trays(count)} {fate.value}" for fate in Fate if (count := batch.trays(fate)))
    day = f"day {day_number(tick.now, batch.sown_at, tick.farm.zone)}" if batch.sown_at else "in soak"
    part = batch.standing[0] if batch.standing else None
    if profile is None:
        return f"{day}; this crop has no profile"
    return f"{day}, {phase_words(phase_now(batch, part, profile, now=tick.now, zone=tick.farm.zone))}"


def _facts(batch: Batch, profile: Profile | None, tick: Tick) -> Iterable[str]:
    """Yield where its trays are, what they were sown from, and what they gave."""
    farm = tick.farm
    for part in batch.parts:
        pile = f", pile {part.stack}" if part.stack else ""
        where = f" on {farm.places.name(part.spot)}" if part.spot else ""
        if part.fate is Fate.STANDING and profile is not None:
            span = phase_now(batch, part, profile, now=tick.now, zone=farm.zone)
            yield f"{say_trays(part.trays)}{where}{pile}: {phase_words(span)}"
        else:
            ended = f" {say_time(part.ended_at, farm.zone)}" if part.ended_at else ""
            yield f"{say_trays(part.trays)} {part.fate.value}{ended}"
    treated = {True: ", TREATED SEED", False: ", untreated", None: ", treated or not: not said"}[batch.treated]
    lot = f"Seed lot {batch.lot}" if batch.lot else "No seed lot entered"
    supplier = f", from {batch.supplier}" if batch.supplier else ""
    each = f", {say_g(batch.seed_g_per_tray, farm.units)} a tray" if batch.seed_g_per_tray else ""
    yield f"{lot}{supplier}{each}{treated}"
    cut = [entry for entry in batch.entries if entry.kind is EntryKind.HARVESTED and entry.data.get("grams")]
    grams = sum(float(entry.data["grams"]) for entry in cut)
    trays = sum(entry.trays or 0 for entry in cut)
    if grams:
        yield f"Cut {say_g(grams, farm.units)}" + (f", {say_g(grams / trays, farm.units)} a tray" if trays else "")


def _measured(
    batch: Batch, profile: Profile | None, tick: Tick, latest: Mapping[str, Reading]
) -> Iterable[tuple[str, str, str]]:
    """Yield (what, value, age) of what the sensors say of a batch now, place by place."""
    if profile is None or not tick.farm.sensors:
        return
    shown: set[str | None] = set()
    for part in batch.standing:
        if part.spot in shown:
            continue
        shown.add(part.spot)
        span = phase_now(batch, part, profile, now=tick.now, zone=tick.farm.zone)
        where = f", {tick.farm.places.name(part.spot)}" if len({each.spot for each in batch.standing}) > 1 else ""
        for each in measured(tick.farm, part.spot, span, latest):
            what, value, age = _one(each, tick)
            yield f"{what}{where}", value, age


def _one(each: Measured, tick: Tick) -> tuple[str, str, str]:
    """Return (what, value, age) of one quantity."""
    what = each.quantity.value
    if not each.sensors:
        why = "no sensor lies under the cover" if each.covered else "no sensor here"
        return what, NOT_MEASURED, why
    if each.reading is None:
        return what, "not heard", f"from {', '.join(sensor.id for sensor in each.sensors)}"
    old = "OLD, " if is_old(each.reading.measured_at, tick.now) else ""
    air = ", the air of the place" if each.covered and not each.sensors[0].under_cover else ""
    age = f"{old}{say_age(tick.now - each.reading.measured_at)}, {each.reading.sensor}{air}"
    return what, say_value(each.reading, each.quantity, tick.farm.units), age


def _phases(batch: Batch, profile: Profile | None, tick: Tick, picture: DayPicture | None) -> Iterable[PhaseFigures]:
    """Yield what each phase that has begun was, beside what the profile has."""
    if profile is None or picture is None:
        return
    part: Part | None = (batch.standing or batch.parts or (None,))[0]
    line = spans(batch, part, profile, now=picture.ends_at, zone=tick.farm.zone)
    begun = [span for span in line if span.began_at is not None]
    by_name = {span.kind.value: span for span in begun}
    for shade in picture.phases:
        span = by_name.get(shade.name)
        if span is None:
            continue
        plan = profile.plan(span.kind)
        days = (shade.ends_at - shade.begins_at).total_seconds() / 86_400
        usual = ""
        if plan is not None and span.kind is not PhaseKind.HARVEST:
            usual = f" of usually {plan.days.usual:g} ({plan.days.low:g} to {plan.days.high:g})"
        guess = ", begin not entered" if span.standing is Standing.PRESUMED else ""
        lines = [
            (panel.name, _spread_words(found, panel.unit, panel.digits) + _lit_words(panel, shade, plan, tick))
            for panel in picture.panels
            if (found := spread(panel, shade.begins_at, shade.ends_at)) is not None
        ]
        yield PhaseFigures(
            name=shade.name,
            days=f"since {say_day(span.begins_on)}, {days:.1f} days{usual}{guess}",
            lines=tuple(lines),
            pours=_pours(batch, shade.begins_at.timestamp(), shade.ends_at.timestamp(), tick),
        )


def _spread_words(found: Spread, unit: str, digits: int) -> str:
    """Return what a quantity was, in words."""
    low, mean, high = (f"{each:.{digits}f}" for each in (found.low, found.mean, found.high))
    inside = "" if found.inside is None else f"; in its band {found.inside:.0%} of that time"
    return f"{mean} {unit} on average, {low} to {high}; known {found.known:.0%} of the time{inside}"


_LIGHT = {"light": Quantity.LIGHT, "photon flux": Quantity.PPFD}


def _lit_words(panel: Panel, shade: Shade, plan: PhasePlan | None, tick: Tick) -> str:
    """Return how many hours of its whole days were lit in a phase, beside the profile's; empty for what is no light."""
    quantity, zone = _LIGHT.get(panel.name), tick.farm.zone
    first = local_day(shade.begins_at - timedelta(milliseconds=1), zone) + timedelta(days=1)
    last = local_day(shade.ends_at, zone) - timedelta(days=1)
    if quantity is None or last < first:
        return ""
    trace = panel.traces[0]
    days = light_days(trace.at_ms, trace.value, quantity, first, last, zone, now_ms=to_ms(shade.ends_at))
    lit_h, dark_h = sum(day.lit_h for day in days), sum(day.dark_h for day in days)
    if lit_h + dark_h < LEAST_LIT_H:
        return ""
    wanted = f" (the profile has {plan.light_hours.usual:g})" if plan is not None and plan.light_hours else ""
    return f"; lit {24 * lit_h / (lit_h + dark_h):.1f} h of 24{wanted}"


def _pours(batch: Batch, begin_s: float, end_s: float, tick: Tick) -> str:
    """Return what was poured in a phase."""
    pours = [
        entry for entry in batch.entries if entry.kind is EntryKind.WATERED and begin_s <= entry.at.timestamp() < end_s
    ]
    if not pours:
        return ""
    known = [float(entry.data["ml_per_tray"]) for entry in pours if entry.data.get("ml_per_tray")]
    amount = f", {say_ml(sum(known), tick.farm.units)} a tray in all" if known else ""
    return f"poured {len(pours)} time{'s' if len(pours) > 1 else ''}{amount}"
