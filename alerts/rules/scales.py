"""Scales that are not believed, trays that stand in water, and piles that dry out though nobody may lift them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from alerts.findings import Finding, Priority, Tick
from alerts.standing import Stand, standing_parts
from alerts.trayfacts import ScaleOf, air_of, facts_of
from alerts.watering import STANDS_TOO_LONG, scale_of, water_stands_since
from monitor.batches import Part
from monitor.celldrift import creep, temperature_drift
from monitor.reach import is_covered, names_for
from monitor.readings import Quantity, from_ms

DRIFT_FROM, CREEP_FROM = 1.5, 0.0015
"""From so many grams a degree, and from such a share of a load on, it is kept as a finding. Ours. [g/degC, -]"""
ZERO_WITHIN_G = 25.0
"""A zero that moved by no more is let pass. Ours. [g]"""


def scales(tick: Tick) -> tuple[Finding, ...]:
    """Return what is wrong with scales, with standing water, and with piles that dry out."""
    found: list[Finding] = []
    for stand, part in standing_parts(tick):
        scale = scale_of(stand.batch, part, stand.profile, stand.span, tick)
        if scale is None:
            continue
        found += _moved_zero(stand, scale, tick)
        found += _drifts(stand, part, scale, tick)
        if scale.doubt is not None:
            if not scale.cell.is_away:  # lifted trays come back
                found.append(_doubted(stand, scale, scale.doubt))
        elif is_covered(stand.span):
            found += _drying_pile(stand, part, scale, tick)
        else:
            found += _standing_water(stand, part, scale, tick)
    return tuple(found)


def _finding(stand: Stand, scale: ScaleOf, rule: str, *, priority: Priority = Priority.MEDIUM, **said: Any) -> Finding:
    """Return a finding of trays on a scale; ``said``: the fields that differ."""
    return Finding(
        rule=rule,
        spot=scale.sensor.spot,
        batch=stand.batch.id,
        sensor=scale.sensor.id,
        priority=priority,
        **{"value": None, "limit": None, **said},
    )


def _doubted(stand: Stand, scale: ScaleOf, doubt: str) -> Finding:
    """Return the finding of a scale that is not believed."""
    cause, _, action = doubt.partition(". ")
    return _finding(
        stand,
        scale,
        "scale is not believed",
        since=from_ms(scale.cell.trouble_since_ms if scale.cell.trouble else scale.cell.last_ms),
        value=scale.cell.last_g,
        cause=f"{cause}." if action else cause,
        consequence=f"Batch {stand.batch.id} is watered by hand and by the profile's days until then.",
        action=action,
    )


def _moved_zero(stand: Stand, scale: ScaleOf, tick: Tick) -> Iterator[Finding]:
    """Yield a scale that did not show nothing when its tray was last lifted out."""
    zero_g = scale.cell.zero_g
    if zero_g is None or abs(zero_g) <= max(ZERO_WITHIN_G, 5 * scale.cell.sigma_g):
        return
    place = tick.farm.places.name(scale.sensor.spot)
    yield _finding(
        stand,
        scale,
        "scale's zero has moved",
        since=from_ms(scale.cell.last_ms),
        value=zero_g,
        limit=ZERO_WITHIN_G,
        cause=f"The scale {scale.sensor.id} at {place} showed {zero_g:+.0f} g when its tray was lifted out.",
        consequence=f"All its weights are off by as much, and so is the water of batch {stand.batch.id}.",
        action=f"Look what lies or drips on it; then set it up anew: traywarden scale setup {scale.sensor.id}",
    )


def _drifts(stand: Stand, part: Part, scale: ScaleOf, tick: Tick) -> Iterator[Finding]:
    """Yield a scale that moves with the temperature, or creeps under a heavy load."""
    drift, what = None, ""
    if is_covered(stand.span):
        drift, least = creep(tuple(scale.cell.steps), list(scale.cell.rests)), CREEP_FROM
        what = f"goes on by {abs(drift.by):.1%} of a load in the hours after it" if drift else ""
    else:
        air = air_of(tick, part.spot, stand.span)
        sensors = names_for(tick.farm, part.spot, stand.span, Quantity.TEMPERATURE)
        drift, least = temperature_drift(list(scale.cell.rests), tick.scales.air_at(sensors), air.lit_at), DRIFT_FROM
        what = f"moves by {drift.by:+.1f} g a degree" if drift else ""
    if drift is None or not drift.is_sure(least):
        return
    place = tick.farm.places.name(scale.sensor.spot)
    yield _finding(
        stand,
        scale,
        "scale drifts",
        priority=Priority.LOW,
        since=from_ms(scale.cell.last_ms),
        value=drift.by,
        limit=least,
        cause=f"The scale {scale.sensor.id} at {place} {what}.",
        consequence="Its drying rates are off by as much, most of all when the lamps come on.",
        action="Shade it from lamp and heater, let its wires hang loose; a better cell if it stays.",
    )


def _standing_water(stand: Stand, part: Part, scale: ScaleOf, tick: Tick) -> Iterator[Finding]:
    """Yield trays that have stood in water for too long."""
    since = water_stands_since(scale, facts_of(stand.batch, part, stand.profile, stand.span, tick, scale), tick)
    if since is None or tick.now - since < STANDS_TOO_LONG:
        return
    place = tick.farm.places.name(scale.sensor.spot)
    yield _finding(
        stand,
        scale,
        "tray stands in water",
        since=since,
        cause=f"Batch {stand.batch.id} {stand.profile.name.lower()} at {place} has stood in water for over 12 hours.",
        consequence="Roots without air rot, and mould follows.",
        action="Leave it: pour nothing, and tip the rest out of its bottom tray. Its sisters probably too.",
    )


def _drying_pile(stand: Stand, part: Part, scale: ScaleOf, tick: Tick) -> Iterator[Finding]:
    """Yield a pile, or covered trays, whose weight says that they dry out; they are never asked to be lifted."""
    rests = [rest for rest in scale.cell.rests if rest.run == scale.cell.run]
    facts = facts_of(stand.batch, part, stand.profile, stand.span, tick, scale)
    if len(rests) < 4 or facts.full_g is None or facts.limp_g is None:
        return
    trays = max(part.trays if part.stack else scale.sensor.trays_on_it, 1)
    lost = (rests[0].grams - rests[-1].grams) / trays
    share = lost / (facts.full_g - facts.limp_g) * (1 - facts.wilting)
    if share < 1 - facts.refill:
        return
    place = tick.farm.places.name(scale.sensor.spot)
    sticky = stand.profile.sticky
    yield _finding(
        stand,
        scale,
        "covered trays dry out",
        since=from_ms(rests[-1].at_ms),
        value=share,
        limit=1 - facts.refill,
        cause=(
            f"Batch {stand.batch.id} {stand.profile.name.lower()} at {place} has lost {share:.0%} of its water under "
            "its cover, by the weight of the whole pile."
        ),
        consequence="The seed dries before its roots hold.",
        action=(
            "Do not lift it: its seed is sticky. Lay a damp cloth round the pile, close gaps of the cover, and keep "
            "moving air off it."
            if sticky
            else "Close gaps of the cover and keep moving air off it; at the next look mist the dry edges."
        ),
    )
