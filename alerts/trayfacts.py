"""What is known of standing trays beside their weight, from ledger, profile, air and lamp hours; pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Tick
from monitor.batches import Batch, Part
from monitor.farm import Sensor
from monitor.growth import GrowthClock, OwnCuts, growth_of, pace_of
from monitor.ledger import Entry, EntryKind
from monitor.loadcell import LoadCell
from monitor.phases import PhaseSpan
from monitor.places import LampHours
from monitor.profiles import PhaseKind, Profile, Span
from monitor.reach import is_covered, names_for
from monitor.readings import Quantity, from_ms, to_ms
from monitor.scalesetup import ScaleSetup
from monitor.trayfacts import Air, Lift, Mark, Pour, TrayFacts, Weighing
from monitor.weightevents import Deed, WeightEvent

Array = NDArray[np.float64]
_USUAL_LAMP = LampHours(on=time(6), off=time(22))


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleOf:
    """The scale that speaks for some trays.

    Attributes:
        sensor: The scale.
        setup: Its set-up today.
        cell: Its state.
        doubt: Why it is not believed now, one line with what to do; None: it is.
        events: What was read from it since the batch was sown.
    """

    sensor: Sensor
    setup: ScaleSetup | None
    cell: LoadCell
    doubt: str | None
    events: tuple[WeightEvent, ...] = ()


@lru_cache(maxsize=64)
def _lit_function(hours: LampHours, zone: ZoneInfo) -> Callable[[Array], NDArray[np.bool_]]:
    """Return a function from instants to whether a lamp with these hours is on."""

    def lit_at(at_ms: Array) -> NDArray[np.bool_]:
        return np.array([hours.is_on(from_ms(int(each)).astimezone(zone).time()) for each in np.atleast_1d(at_ms)])

    return lit_at


def air_of(tick: Tick, spot: str | None, span: PhaseSpan) -> Air:
    """Return light and air of trays at a place."""
    farm = tick.farm
    hours = (farm.places.lamp(spot) if spot else None) or _USUAL_LAMP
    names = {quantity: names_for(farm, spot, span, quantity) for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)}
    deficit_at = tick.scales.deficit_at(names[Quantity.TEMPERATURE], names[Quantity.HUMIDITY])
    return Air(lit_at=_lit_function(hours, farm.zone), deficit_at=deficit_at)


def own_cuts(tick: Tick, batch: Batch) -> OwnCuts:
    """Return what the farm's earlier batches of a crop gave, a nominal tray each."""
    days, grams = [], []
    for other in tick.batches.values():
        if other.crop != batch.crop or other.id == batch.id or other.sown_at is None:
            continue
        for entry in other.entries:
            weight = entry.data.get("grams")
            if entry.kind is EntryKind.HARVESTED and weight and entry.trays:
                days.append((entry.at - other.sown_at) / timedelta(days=1))
                grams.append(float(weight) / entry.trays / tick.farm.tray_size(other.tray_kind))
                break
    return OwnCuts(days=tuple(days), grams=tuple(grams))


def _of_part(entry: Entry, part: Part) -> bool:
    """Tell whether an entry can mean a part: it names no place, or the part's."""
    return (
        entry.spot is None or part.spot is None or part.spot.startswith(entry.spot) or entry.spot.startswith(part.spot)
    )


def facts_of(
    batch: Batch, part: Part, profile: Profile, span: PhaseSpan, tick: Tick, scale: ScaleOf | None
) -> TrayFacts:
    """Return what is known of trays beside their weight; worked out once for a moment."""
    key = ("facts", batch.id, part, scale.sensor.id if scale else None)
    if key not in tick.memo:
        tick.memo[key] = _facts_of(batch, part, profile, span, tick, scale)
    known: TrayFacts = tick.memo[key]
    return known


def _facts_of(
    batch: Batch, part: Part, profile: Profile, span: PhaseSpan, tick: Tick, scale: ScaleOf | None
) -> TrayFacts:
    """Return what is known of trays, gathered anew."""
    size = tick.farm.tray_size(batch.tray_kind)
    grown = growth_of(profile, own_cuts(tick, batch))
    sown_at = batch.sown_at or tick.now
    yields = Span(
        low=grown.yield_g.low * size, usual=grown.yield_g.usual * size, high=grown.yield_g.high * size,
        source=grown.yield_g.source,
    )  # fmt: skip
    seed_g = batch.seed_g_per_tray if batch.seed_g_per_tray is not None else profile.seed_g_per_tray.usual * size
    setup = scale.setup if scale else None
    with_seed = 0.0 if setup is None or setup.has_seed else seed_g
    opened = part.uncovered_at or part.lights_at or (None if is_covered(span) else span.began_at)
    lit = part.lights_at or (span.began_at if span.kind is PhaseKind.LIGHT else opened if _is_lit(span) else None)
    entries = [entry for entry in batch.entries if entry.at <= tick.now and _of_part(entry, part)]
    marks = _marks(entries, scale)
    pace = _pace(profile, part, span, sown_at, tick)
    return TrayFacts(
        clock=GrowthClock(sown_at=sown_at, usual=timedelta(days=grown.days), pace=pace),
        uncovered_ms=to_ms(opened) if opened else None,
        lit_ms=to_ms(lit) if lit else None,
        yield_g=yields,
        yield_sigma=grown.yield_sigma,
        days_sigma=grown.days_sigma,
        refill=profile.refill_fraction.value,
        wilting=profile.wilting_fraction.value,
        scale=size,
        full_g=None if setup is None or setup.full_g is None else setup.full_g + with_seed,
        limp_g=None if setup is None or setup.limp_g is None else setup.limp_g + with_seed,
        limp_is_measured=setup is not None and setup.limp_is_measured,
        held_g=setup.held_g if setup else None,
        marks=marks,
        lifts=tuple(
            Lift(at_ms=to_ms(entry.at), feel=str(entry.data.get("feel")))
            for entry in entries if entry.kind is EntryKind.LIFTED
        ),
        pours=tuple(
            Pour(at_ms=to_ms(entry.at), grams=entry.data.get("ml_per_tray"))
            for entry in entries if entry.kind is EntryKind.WATERED
        ),
        weighings=tuple(
            Weighing(at_ms=to_ms(entry.at), grams=float(entry.data["grams"]))
            for entry in entries if entry.kind is EntryKind.WEIGHED and entry.data.get("grams")
        ),
        usual_pour_g=profile.water_ml_per_pour.usual * size,
    )  # fmt: skip


def _is_lit(span: PhaseSpan) -> bool:
    return span.kind in (PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)


def _pace(profile: Profile, part: Part, span: PhaseSpan, sown_at: datetime, tick: Tick) -> float:
    """Return how much faster than usual a batch grows, by the warmth of its place since sowing."""
    plan = profile.plan(PhaseKind.LIGHT) or profile.plan(PhaseKind.GERMINATION)
    bands = plan.bands.get(Quantity.TEMPERATURE, ()) if plan else ()
    middle = next(
        ((band.low + band.high) / 2 for band in bands if band.low is not None and band.high is not None), None
    )
    sensors = names_for(tick.farm, part.spot, span, Quantity.TEMPERATURE)
    mean = tick.scales.mean_temp_c(sensors, to_ms(sown_at))
    return pace_of(mean, middle, profile.base_temp_c.value if profile.base_temp_c else None)


def _marks(entries: Iterable[Entry], scale: ScaleOf | None) -> tuple[Mark, ...]:
    """Return the weighings that were marked, and the waterings to the brim that the scale saw."""
    marks = []
    for entry in entries:
        mark, grams = entry.data.get("mark"), entry.data.get("grams")
        if entry.kind is EntryKind.WEIGHED and mark in ("full", "dry") and grams:
            marks.append(Mark(at_ms=to_ms(entry.at), grams=float(grams), what=mark))
    if scale is not None:
        trays = scale.sensor.trays_on_it
        marks += [
            Mark(at_ms=event.at_ms, grams=event.after_g / trays, what="brim")
            for event in scale.events
            if event.deed is Deed.POURED_OFF
        ]
    return tuple(sorted(marks, key=lambda mark: mark.at_ms))
