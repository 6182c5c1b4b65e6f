"""How much a batch had of each thing that can spoil it, from its facts; pure.

A dose is None where nothing tells; ``known`` says of how much of the time, or of the entries, it is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from monitor.ledger import EntryKind
from monitor.phases import Standing, harvest_window
from monitor.profiles import PhaseKind
from monitor.readings import Quantity
from monitor.review import BatchFacts, PhaseFacts

_OPEN = (PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)
_NOT_ENTERED = 0.6
A_LOOK = 0.5
"""A look under the cover before its time counts as so many days. Common practice, no source. [d]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """How much of one thing.

    Attributes:
        value: The amount, in the unit of its cause; None: nothing tells.
        known: Share of the time that it is known of. [0-1]
        at_ms: When it was worst; None: that has no instant. [ms since 1970 UTC]
    """

    value: float | None
    known: float = 1.0
    at_ms: int | None = None


NOT_KNOWN = Dose(value=None, known=0.0)


def _germination(facts: BatchFacts, *, is_low: bool) -> Dose:
    """Return cold or heat of the germination as a multiple of the profile's dose of harm."""
    phase = facts.phase(PhaseKind.GERMINATION)
    warm = None if phase is None else phase.banded.get(Quantity.TEMPERATURE)
    if phase is None or warm is None or warm.known_h <= 0:
        return NOT_KNOWN
    harm = facts.record.profile.harm
    dose = warm.low_dose / harm.cold.value if is_low else warm.high_dose / harm.heat.value
    run = warm.worst if warm.worst is not None and warm.worst.is_low is is_low else None
    return Dose(value=dose, known=min(warm.known_h / phase.stretch.hours, 1.0), at_ms=run.begin_ms if run else None)


def _limp(facts: BatchFacts, *, covered: bool) -> Dose:
    """Return the hours at or under the wilting point, covered or in the open."""
    phases = [each for each in facts.phases if each.water is not None and each.stretch.covered is covered]
    hours = sum(each.stretch.hours for each in phases)
    known = sum(each.water.known_h for each in phases if each.water)
    if not phases or known <= 0 or hours <= 0:
        return NOT_KNOWN
    driest = min((each.water for each in phases if each.water), key=lambda water: water.driest or 9.0)
    limp = sum(each.water.limp_h for each in phases if each.water)
    return Dose(value=limp, known=min(known / hours, 1.0), at_ms=driest.driest_ms)


def _soaked(facts: BatchFacts) -> Dose:
    """Return the longest hours on end with water standing, in the open."""
    waters = [each.water for each in facts.phases if each.water is not None]
    hours = sum(each.stretch.hours for each in facts.phases)
    known = sum(water.known_h for water in waters)
    if not waters or known <= 0 or hours <= 0:
        return NOT_KNOWN
    worst = max(waters, key=lambda water: water.soaked_h)
    return Dose(value=worst.soaked_h, known=min(known / hours, 1.0), at_ms=worst.wettest_ms)


def _lifted(facts: BatchFacts) -> Dose:
    """Return by how many days the cover came off early; a look before its time counts half a day."""
    entries = facts.record.batch.entries
    entered = any(entry.kind is EntryKind.UNCOVERED for entry in entries)
    lifts = [(at, early) for phase in facts.phases for at, early in phase.lifts if early > 0]
    looked = sum(A_LOOK for entry in entries if entry.kind is EntryKind.LOOKED and entry.data.get("early"))
    off = max((int(entry.data.get("early") or 0) for entry in entries if entry.kind is EntryKind.UNCOVERED), default=0)
    if not entered and not looked:
        return NOT_KNOWN
    first = min((at for at, _ in lifts), default=None)
    at_ms = None if first is None else int(first.timestamp() * 1000)
    return Dose(value=max(float(off), looked), known=1.0 if entered else 0.5, at_ms=at_ms)


def _leak(facts: BatchFacts) -> Dose:
    """Return the hours with light under the cover."""
    covered = [each for each in facts.phases if each.stretch.covered]
    known = sum(each.leak_known_h for each in covered)
    hours = sum(each.stretch.hours for each in covered)
    if known <= 0 or hours <= 0:
        return NOT_KNOWN
    leak_h = sum(each.leak_h or 0.0 for each in covered)
    return Dose(value=leak_h, known=min(known / hours, 1.0) * _boundary(facts))


def _blackout(facts: BatchFacts) -> tuple[Dose, Dose]:
    """Return by how many days the blackout was too long, and too short."""
    profile, entries = facts.record.profile, facts.record.batch.entries
    plan, light = profile.plan(PhaseKind.BLACKOUT), facts.phase(PhaseKind.LIGHT)
    entered = {entry.kind for entry in entries}
    if plan is None or profile.plan(PhaseKind.LIGHT) is None:
        return Dose(value=0.0), Dose(value=0.0)
    if light is None or light.stretch.begins is not Standing.ENTERED or EntryKind.LIGHTS_ON not in entered:
        return NOT_KNOWN, NOT_KNOWN
    if EntryKind.UNCOVERED not in entered and profile.manner.value != "open":
        return NOT_KNOWN, NOT_KNOWN
    phase = facts.phase(PhaseKind.BLACKOUT)
    days = 0.0 if phase is None else float(phase.stretch.days)
    at_ms = light.stretch.begin_ms
    return (
        Dose(value=max(days - plan.days.high, 0.0), at_ms=at_ms),
        Dose(value=max(plan.days.low - days, 0.0), at_ms=at_ms),
    )


def _dim(facts: BatchFacts) -> Dose:
    """Return the share by which the light integral, or else the hours lit, fell short of the profile's least."""
    plan, phase = facts.record.profile.plan(PhaseKind.LIGHT), facts.phase(PhaseKind.LIGHT)
    if plan is None:
        return Dose(value=0.0)
    if phase is None or phase.light is None:
        return NOT_KNOWN
    light, hours = phase.light, max(phase.stretch.hours, 1.0)
    if light.mol_m2 is not None and plan.daily_light_mol_m2 is not None:
        short = 1 - light.mol_m2 / plan.daily_light_mol_m2.low
    elif light.lit_h is not None and plan.light_hours is not None:
        short = 1 - light.lit_h / plan.light_hours.low
    else:
        return NOT_KNOWN
    return Dose(value=max(short, 0.0), known=min(light.known_h / hours, 1.0))


def _wet_air(facts: BatchFacts) -> Dose:
    """Return the longest hours on end of nearly saturated air over trays in the open."""
    phases = [each for each in facts.phases if each.stretch.kind in _OPEN]
    heard = [each for each in phases if each.near_saturation_h is not None]
    hours = sum(each.stretch.hours for each in phases)
    if not heard or hours <= 0:
        return NOT_KNOWN
    known = sum(each.near_saturation_known_h for each in heard)
    longest = max(each.near_saturation_h or 0.0 for each in heard)
    return Dose(value=longest, known=min(known / hours, 1.0) * _boundary(facts))


def _boundary(facts: BatchFacts) -> float:
    """Return how far the phases can be trusted: less where nobody entered when the trays came into the light. [0-1]."""
    light = facts.phase(PhaseKind.LIGHT)
    return 1.0 if light is None or light.stretch.begins is Standing.ENTERED else _NOT_ENTERED


def _seed(facts: BatchFacts) -> tuple[Dose, Dose]:
    """Return the share of seed under the profile's least, and over its most."""
    grams, span = facts.record.seed_g, facts.record.profile.seed_g_per_tray
    if grams is None:
        return NOT_KNOWN, NOT_KNOWN
    return Dose(value=max(1 - grams / span.low, 0.0)), Dose(value=max(grams / span.high - 1, 0.0))


def _late(facts: BatchFacts) -> Dose:
    """Return by how many days it was cut after the last day of its harvest window."""
    outcome, record = facts.record.outcome, facts.record
    light, sowing = facts.phase(PhaseKind.LIGHT), facts.phase(PhaseKind.GERMINATION)
    if outcome.days is None or sowing is None or record.batch.sown_at is None:
        over = facts.phase(PhaseKind.OVERGROWN)
        return NOT_KNOWN if over is None else Dose(value=float(over.stretch.days + 1), known=0.5)
    sown_on = record.batch.sown_at.date()
    lit_days = _days_to(light, record.begin_ms) if light is not None else 0
    window = harvest_window(record.profile, sown_on, sown_on + timedelta(days=lit_days))
    last = (window.latest - sown_on).days
    return Dose(value=float(max(outcome.days - last, 0)))


def _days_to(phase: PhaseFacts, begin_ms: int) -> int:
    """Return the days from sowing to the beginning of a phase, to the nearest."""
    return round((phase.stretch.begin_ms - begin_ms) / 86_400_000)


def doses_of(facts: BatchFacts) -> dict[str, Dose]:
    """Return the dose of every cause that has one, by the cause's key (see suspects.toml)."""
    too_long, too_short = _blackout(facts)
    thin, thick = _seed(facts)
    return {
        "cold germination": _germination(facts, is_low=True),
        "hot germination": _germination(facts, is_low=False),
        "dried out while covered": _limp(facts, covered=True),
        "dried out later": _limp(facts, covered=False),
        "waterlogged": _soaked(facts),
        "cover lifted early": _lifted(facts),
        "light leak": _leak(facts),
        "blackout too long": too_long,
        "blackout too short": too_short,
        "too little light": _dim(facts),
        "mould weather": _wet_air(facts),
        "sown too thin": thin,
        "sown too thick": thick,
        "late harvest": _late(facts),
    }
