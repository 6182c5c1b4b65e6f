"""The water of the trays that stand, from scales, hands and the ledger: who is known how, and whom to doubt; pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alerts.doubts import OnScale, doubt_of
from alerts.findings import Tick
from alerts.trayfacts import ScaleOf, air_of, facts_of
from monitor.availability import fraction_left
from monitor.batches import Batch, Part
from monitor.farm import Farm, Sensor
from monitor.growth import grown_share
from monitor.handwater import by_hand
from monitor.ledger import EntryKind
from monitor.phases import PhaseSpan
from monitor.pouring import until_cut
from monitor.profiles import PhaseKind, Profile
from monitor.reach import is_covered
from monitor.readings import Quantity, from_ms, to_ms
from monitor.scalesetup import ScaleSetup
from monitor.trayfacts import Known, TrayFacts
from monitor.traywater import by_sister, by_weight
from monitor.waterahead import TrayWater
from monitor.weightevents import Deed, OnCell, read_events

WEIGHT_HOLDS = timedelta(hours=2)
"""A weight older than this no longer judges."""
STANDS_TOO_LONG = timedelta(hours=12)
"""Trays standing in water longer get "leave it". Common practice, no source."""
_CLEARLY_G = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartWater:
    """What is known of the water of one part of a batch.

    Attributes:
        batch: The batch.
        profile: Its crop's profile.
        part: The part.
        span: Its phase.
        scale: The scale that speaks for it; None: none does.
        water: Its water; None: only the profile's days tell.
        covered: It is under a cover, and not to be asked for.
        poured_at: When it was poured last, by entry or scale; None: never since sowing.
        stands_since: Since when water has stood in its bottom tray; None: none does.
    """

    batch: Batch
    profile: Profile
    part: Part
    span: PhaseSpan
    scale: ScaleOf | None
    water: TrayWater | None
    covered: bool
    poured_at: datetime | None
    stands_since: datetime | None = None


def _candidates(farm: Farm, part: Part) -> list[Sensor]:
    """Return the scales that lie under trays at a part's place, or under the whole shelf that they stand on."""
    if part.spot is None:
        return []
    return [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity is Quantity.WEIGHT
        and (farm.places.is_within(sensor.spot, part.spot) or farm.places.is_within(part.spot, sensor.spot))
    ]


def on_cell(batch: Batch, part: Part, profile: Profile, setup: ScaleSetup | None, sensor: Sensor) -> OnCell:
    """Return what helps to read a scale's steps."""
    stacked = [entry for entry in batch.entries if entry.kind is EntryKind.STACKED]
    weight_kg = stacked[-1].data.get("weight_kg") if stacked else None
    opened = part.uncovered_at or part.lights_at
    plan = profile.plan(PhaseKind.HARVEST)
    sown_ms = to_ms(batch.sown_at) if batch.sown_at else 0
    return OnCell(
        tray_g=(setup.full_g if setup and setup.full_g else 1800.0),
        trays=sensor.trays_on_it,
        pile_trays=(stacked[-1].trays or batch.sown) if stacked else None,
        pile_weight_g=float(weight_kg) * 1000 if weight_kg else None,
        covered_until_ms=to_ms(opened) if opened else None,
        piled=bool(stacked),
        cut_from_ms=None if plan is None else sown_ms + int(plan.days.low * 86_400_000),
        yield_g=profile.yield_g_per_tray.usual * sensor.trays_on_it,
    )


def scale_of(batch: Batch, part: Part, profile: Profile, span: PhaseSpan, tick: Tick) -> ScaleOf | None:
    """Return the scale that speaks for a part, the best of several, with a doubt where there is one."""
    key = ("scale", batch.id, part)
    if key not in tick.memo:
        tick.memo[key] = _scale_of(batch, part, profile, span, tick)
    known: ScaleOf | None = tick.memo[key]
    return known


def _scale_of(batch: Batch, part: Part, profile: Profile, span: PhaseSpan, tick: Tick) -> ScaleOf | None:
    """Return the scale that speaks for a part, found anew."""
    found = []
    whose = (batch, part, profile, span)
    for sensor in _candidates(tick.farm, part):
        cell = tick.scales.cell(sensor.id)
        if part.spot != sensor.spot and any(
            other.id != batch.id and any(each.spot == sensor.spot for each in other.standing)
            for other in tick.batches.values()
        ):
            continue  # another batch's tray stands right on it
        if cell is None or tick.now - from_ms(cell.last_ms) > WEIGHT_HOLDS:
            continue
        setup = tick.scales.setup(sensor.id, tick.now)
        sown_ms = to_ms(batch.sown_at) if batch.sown_at else 0
        steps = [step for step in cell.steps if step.at_ms >= sown_ms]
        events = read_events(steps, on_cell(batch, part, profile, setup, sensor))
        found.append(_doubted(ScaleOf(sensor=sensor, setup=setup, cell=cell, doubt=None, events=events), whose, tick))
    return min(found, key=lambda scale: (scale.doubt is not None, scale.sensor.trays_on_it), default=None)


def _doubted(scale: ScaleOf, whose: tuple[Batch, Part, Profile, PhaseSpan], tick: Tick) -> ScaleOf:
    """Return the scale with its doubt, if there is one."""
    batch, part, profile, span = whose
    on = OnScale(
        sensor=scale.sensor,
        setup=scale.setup,
        cell=scale.cell,
        events=scale.events,
        batch=batch,
        part=part,
        span=span,
        left=lambda: left_now(scale, facts_of(batch, part, profile, span, tick, scale), tick),
    )
    return replace(scale, doubt=doubt_of(on, tick))


def left_now(scale: ScaleOf, facts: TrayFacts, tick: Tick) -> float | None:
    """Return the available water fraction by the middle guess of the plants' weight; quick, without a forecast."""
    level = scale.cell.level_g
    if level is None or facts.full_g is None or facts.limp_g is None:
        return None
    plants = facts.yield_g.usual * float(grown_share(facts.clock.share(to_ms(tick.now))))
    weight = level / scale.sensor.trays_on_it
    return float(fraction_left(weight, facts.full_g + plants, facts.limp_g + plants, facts.wilting))


def water_of(batch: Batch, part: Part, span: PhaseSpan, profile: Profile, tick: Tick) -> PartWater:
    """Return what is known of the water of one part: by its scale, a sister's, the hand, or nothing but days."""
    scale = scale_of(batch, part, profile, span, tick)
    covered = is_covered(span)
    poured = [part.watered_at] if part.watered_at else []
    if scale is not None:
        poured += [from_ms(event.at_ms) for event in scale.events if event.deed is Deed.WATERED and not covered]
    base = PartWater(
        batch=batch, profile=profile, part=part, span=span, scale=scale, water=None, covered=covered,
        poured_at=max(poured, default=None),
    )  # fmt: skip
    if covered:
        return base
    believed = scale if scale is not None and scale.doubt is None else None
    facts = facts_of(batch, part, profile, span, tick, believed)
    air = air_of(tick, part.spot, span)
    now_ms = to_ms(tick.now)
    water: TrayWater | None = None
    since: datetime | None = None
    if believed is not None and part.watered_at is not None and to_ms(part.watered_at) > believed.cell.last_ms:
        return base  # poured after the last reading: nothing to ask for
    if believed is not None:
        on_it = believed.sensor.trays_on_it
        on_scale = part.spot != believed.sensor.spot and any(
            each.spot == believed.sensor.spot for each in batch.standing
        )
        if on_it == 1 and (part.trays > 1 or on_scale):
            water = by_sister(believed.cell, replace(facts, lifts=()), air, now_ms, lifts=facts.lifts)
        else:
            water = by_weight(believed.cell, facts, air, now_ms, trays=on_it)
        since = water_stands_since(believed, facts, tick)
    elif facts.lifts or (facts.weighings and facts.marks):
        water = by_hand(facts, air, now_ms)
    if water is not None:
        water = _until_cut(water, base, tick)
    return replace(base, water=water, stands_since=since)


def _until_cut(water: TrayWater, part: PartWater, tick: Tick) -> TrayWater:
    """Return the water with a smaller target on the last day before the cut."""
    window = part.span.window
    if part.span.kind is not PhaseKind.HARVEST or window is None:
        return water
    today = tick.now.astimezone(tick.farm.zone).date()
    if today < window.latest:
        return water
    end = datetime.combine(window.latest, datetime.max.time(), tick.farm.zone)
    return until_cut(water, max((end - tick.now) / timedelta(hours=1), 0.0) / 2)


def water_stands_since(scale: ScaleOf, facts: TrayFacts, tick: Tick) -> datetime | None:
    """Return since when a tray has weighed clearly more than full, by the middle guess of its plants; or None."""
    if facts.full_g is None:
        return None
    since = None
    for rest in reversed(scale.cell.rests):
        plants = facts.yield_g.usual * float(grown_share(facts.clock.share(rest.at_ms)))
        if rest.grams / scale.sensor.trays_on_it <= facts.full_g + plants + _CLEARLY_G:
            break
        since = from_ms(rest.at_ms)
    return since


KNOWN_WORDS = {
    Known.WEIGHED: "by its scale",
    Known.SHELF: "by the shelf's scale, on average",
    Known.SISTER: "by the scale under a sister",
    Known.HAND: "by hand",
}
