"""A tray that has drunk down to where its plants limp, by the scale under it or under a sister."""

from __future__ import annotations

from alerts.findings import Finding, Priority, Tick
from alerts.standing import standing_parts
from alerts.trayfacts import facts_of
from alerts.watering import left_now, scale_of
from monitor.amounts import say_ml
from monitor.reach import is_covered
from monitor.readings import from_ms


def dry(tick: Tick) -> tuple[Finding, ...]:
    """Return the open trays under their refill point; urgent where plants limp, else left to the round's task."""
    found = []
    for stand, part in standing_parts(tick):
        if is_covered(stand.span):
            continue
        scale = scale_of(stand.batch, part, stand.profile, stand.span, tick)
        if scale is None or scale.doubt is not None or not scale.cell.is_settled:
            continue
        facts = facts_of(stand.batch, part, stand.profile, stand.span, tick, scale)
        left = left_now(scale, facts, tick)
        refill, wilting = stand.profile.refill_fraction.value, stand.profile.wilting_fraction.value
        if left is None or left > refill:
            continue
        full, limp = facts.full_g or 0.0, facts.limp_g or 0.0
        pour = say_ml((1 - left) / (1 - wilting) * (full - limp), tick.farm.units)
        place = tick.farm.places.name(scale.sensor.spot)
        is_limp = left <= wilting
        found.append(
            Finding(
                rule="tray is dry",
                spot=scale.sensor.spot,
                batch=stand.batch.id,
                sensor=scale.sensor.id,
                priority=Priority.URGENT if is_limp else Priority.LOW,  # the round's task tells of the lower step
                since=from_ms(scale.cell.rests[-1].at_ms if scale.cell.rests else scale.cell.last_ms),
                value=left,
                limit=refill,
                cause=(
                    f"Batch {stand.batch.id} {stand.profile.name.lower()} at {place}: {max(left, 0):.0%} of its water "
                    f"is left, it is poured from {refill:.0%} down."
                ),
                consequence="Plants limp now." if is_limp else "Plants droop from the edges.",
                action=(
                    f"Pour {pour} into its bottom tray and give its sisters the same. Limp although heavy is rot: do "
                    f"not pour. Done: traywarden water {stand.batch.id}"
                ),
            )
        )
    return tuple(found)
