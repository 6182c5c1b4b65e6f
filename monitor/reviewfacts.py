"""From what was measured and entered of a batch to its facts by phase; pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from monitor.air import saturation_vapour_pressure, vapour_pressure_deficit
from monitor.banded import Banded, Series, banded, hours_where
from monitor.clock import local_day
from monitor.heat import degree_days
from monitor.ledger import EntryKind
from monitor.light import light_days
from monitor.profiles import Band, PhaseKind, Profile, Where
from monitor.readings import Quantity, from_ms, to_ms
from monitor.review import BatchFacts, LightFacts, PhaseFacts, Record, Stretch
from monitor.reviewwater import pours_of, water_facts

MOULD_DEFICIT_KPA = 0.35
"""Under this deficit leaves hardly dry, as the mould watch has it. Common practice, no source. [kPa]"""
LEAK_LX = 5.0
"""Over this, light gets under the cover. Common practice, no source. [lx]"""
LEAK_UMOL = 0.1
"""The same for a quantum sensor; 5 lx of any white light is under 0.1. [umol m-2 s-1]"""
_WHOLE_DAY_H = 21.0
_LIT = (PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)


def facts_of(record: Record, zone: ZoneInfo) -> BatchFacts:
    """Return what a batch lived through, phase by phase.

    Args:
        record: All that is known of it.
        zone: The farm's zone; light is counted by local days.
    """
    return BatchFacts(record=record, phases=tuple(_phase(record, stretch, zone) for stretch in record.stretches))


def _phase(record: Record, stretch: Stretch, zone: ZoneInfo) -> PhaseFacts:
    """Return the facts of one phase."""
    profile, begin, end = record.profile, stretch.begin_ms, stretch.end_ms
    against = _against_bands(profile, stretch)
    dry_dose, damp_dose = _vapour_doses(profile, stretch)
    near_h, near_known, mean_kpa = _near_saturation(stretch)
    heat_sum, heat_known = _heat(profile, stretch)
    leak_h, leak_known = _leak(stretch)
    wilting = profile.wilting_fraction.value
    return PhaseFacts(
        stretch=stretch,
        planned=_planned(profile, stretch.kind),
        heat_sum=heat_sum,
        heat_known=heat_known,
        banded=against,
        damp_dose=damp_dose,
        dry_dose=dry_dose,
        near_saturation_h=near_h,
        near_saturation_known_h=near_known,
        deficit_kpa=mean_kpa,
        light=_light(record, stretch, zone),
        leak_h=leak_h,
        leak_known_h=leak_known,
        water=None if record.water is None else water_facts(record.water, wilting, begin, end),
        pours=pours_of(record.batch.entries, record.water, record.nudges, begin, end),
        lifts=_lifts(record, stretch),
        good_data={
            quantity: float(min(series.within(begin, end).held_h(begin, end).sum() / max(stretch.hours, 1e-9), 1.0))
            for quantity, series in stretch.series.items()
        },
    )


def _planned(profile: Profile, kind: PhaseKind) -> tuple[float, float, float] | None:
    """Return the days that the profile gives a phase."""
    if kind is PhaseKind.HARVEST:
        return None
    plan = profile.plan(kind)
    return None if plan is None else (plan.days.low, plan.days.usual, plan.days.high)


def _bands(profile: Profile, kind: PhaseKind) -> Mapping[Quantity, tuple[Band, ...]]:
    """Return the bands of a phase; trays that are over their day are judged by the harvest window's."""
    plan = profile.plan(PhaseKind.HARVEST if kind is PhaseKind.OVERGROWN else kind)
    return {} if plan is None else plan.bands


def _against_bands(profile: Profile, stretch: Stretch) -> dict[Quantity, Banded]:
    """Return each measured quantity against its band; humidity of the room says nothing under a cover."""
    found: dict[Quantity, Banded] = {}
    for quantity, bands in _bands(profile, stretch.kind).items():
        series = stretch.series.get(quantity)
        band = next(iter(bands), None)
        if series is None or band is None or quantity in (Quantity.LIGHT, Quantity.PPFD):
            continue
        if stretch.covered and quantity is Quantity.HUMIDITY and band.where is Where.ROOM_AIR:
            continue
        found[quantity] = banded(series, band.low, band.high, stretch.begin_ms, stretch.end_ms)
    return found


def _vapour_doses(profile: Profile, stretch: Stretch) -> tuple[float | None, float | None]:
    """Return how much vapour the air lacked, and had too much, against the band of humidity, times hours. [kPa h]."""
    band = next(iter(_bands(profile, stretch.kind).get(Quantity.HUMIDITY, ())), None)
    damp = stretch.series.get(Quantity.HUMIDITY)
    if band is None or damp is None or stretch.covered:
        return None, None
    part = damp.within(stretch.begin_ms, stretch.end_ms)
    held = part.held_h(stretch.begin_ms, stretch.end_ms)
    if not held.sum():
        return None, None
    warm = stretch.series.get(Quantity.TEMPERATURE)
    temps = np.full(len(held), 20.0) if warm is None else warm.at(part.at_ms)
    temps = np.where(np.isnan(temps), 20.0, temps)
    kpa = saturation_vapour_pressure(np.clip(temps, 0.0, 50.0)) / 100
    under = 0.0 if band.low is None else float((np.maximum(band.low - part.value, 0) * kpa * held).sum())
    over = 0.0 if band.high is None else float((np.maximum(part.value - band.high, 0) * kpa * held).sum())
    return under, over


def _near_saturation(stretch: Stretch) -> tuple[float | None, float, float | None]:
    """Return the longest time on end near saturation, the hours known, and the mean deficit. [h, h, kPa]."""
    damp, warm = stretch.series.get(Quantity.HUMIDITY), stretch.series.get(Quantity.TEMPERATURE)
    if damp is None or warm is None or stretch.covered:
        return None, 0.0, None
    part = damp.within(stretch.begin_ms, stretch.end_ms)
    kpa = vapour_pressure_deficit(warm.at(part.at_ms), np.clip(part.value, 0, 100))
    known = ~np.isnan(kpa)
    deficit = Series(at_ms=part.at_ms[known], value=kpa[known], speaks_ms=part.speaks_ms)
    held = deficit.held_h(stretch.begin_ms, stretch.end_ms)
    if not held.sum():
        return None, 0.0, None
    _, longest, known_h = hours_where(deficit, stretch.begin_ms, stretch.end_ms, high=MOULD_DEFICIT_KPA)
    return longest, known_h, float((deficit.value * held).sum() / held.sum())


def _heat(profile: Profile, stretch: Stretch) -> tuple[float | None, float]:
    """Return the warmth over the base in a phase, and the share of it that was measured. [degC d; 0-1]."""
    warm = stretch.series.get(Quantity.TEMPERATURE)
    if warm is None or profile.base_temp_c is None:
        return None, 0.0
    found, known_h = degree_days(warm, profile.base_temp_c.value, stretch.begin_ms, stretch.end_ms)
    return (found, min(known_h / max(stretch.hours, 1e-9), 1.0)) if known_h > 0 else (None, 0.0)


def light_series(stretch: Stretch) -> tuple[Quantity, Series] | None:
    """Return the light that was measured in a phase, photons before lux; None: none was."""
    for quantity in (Quantity.PPFD, Quantity.LIGHT):
        series = stretch.series.get(quantity)
        if series is not None:
            return quantity, series
    return None


def _light(record: Record, stretch: Stretch, zone: ZoneInfo) -> LightFacts | None:
    """Return the light of a phase in the open; days of which little is known are left out."""
    found = light_series(stretch)
    if stretch.covered or stretch.kind not in _LIT or found is None:
        return None
    quantity, series = found
    begin, end = stretch.begin_ms, stretch.end_ms
    inside = (series.at_ms >= begin) & (series.at_ms < end)
    at_ms, value = series.at_ms[inside], series.value[inside]
    if not len(at_ms):
        return LightFacts(known_h=0.0, lit_h=None, mol_m2=None)
    first, last = (local_day(from_ms(each), zone) for each in (begin, end))
    factor = record.lux_per_umol
    days = light_days(at_ms, value, quantity, first, last, zone, now_ms=end, lux_per_umol=factor)
    known = [day for day in days if day.lit_h + day.dark_h >= _WHOLE_DAY_H]
    hours = sum(day.lit_h + day.dark_h for day in known)
    if not known:
        return LightFacts(known_h=sum(day.lit_h + day.dark_h for day in days), lit_h=None, mol_m2=None)
    mol = [day.mol_m2 for day in known if day.mol_m2 is not None]
    return LightFacts(
        known_h=sum(day.lit_h + day.dark_h for day in days),
        lit_h=sum(day.lit_h for day in known) / hours * 24,
        mol_m2=sum(mol) / hours * 24 if len(mol) == len(known) else None,
    )


def _leak(stretch: Stretch) -> tuple[float | None, float]:
    """Return the hours with light under the cover, and the hours known. [h, h]."""
    found = light_series(stretch)
    if not stretch.covered or found is None:
        return None, 0.0
    quantity, series = found
    least = LEAK_UMOL if quantity is Quantity.PPFD else LEAK_LX
    hours, _, known = hours_where(series, stretch.begin_ms, stretch.end_ms, low=least)
    return (None, 0.0) if known <= 0 else (hours, known)


def _lifts(record: Record, stretch: Stretch) -> tuple[tuple[datetime, int], ...]:
    """Return when the cover was lifted in a phase, and how many days early."""
    found = []
    for entry in record.batch.entries:
        at_ms = to_ms(entry.at)
        ends = entry.kind is EntryKind.UNCOVERED and abs(at_ms - stretch.end_ms) < 60_000
        if entry.kind in (EntryKind.LOOKED, EntryKind.UNCOVERED) and (
            stretch.begin_ms <= at_ms < stretch.end_ms or ends
        ):
            found.append((entry.at, int(entry.data.get("early") or 0)))
    return tuple(found)
