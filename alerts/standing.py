"""The trays that stand, by batch, place and phase: what every rule goes through; pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from alerts.findings import Tick
from alerts.warmth import span_of
from monitor.batches import Batch, Part
from monitor.phases import PhaseSpan
from monitor.profiles import PhaseKind, Profile
from monitor.reach import is_covered, names_for
from monitor.readings import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Trays of one batch in one phase at one place.

    Attributes:
        batch: The batch.
        profile: Its crop's profile.
        spot: Where they are, or None.
        span: Their phase.
        trays: How many.
    """

    batch: Batch
    profile: Profile
    spot: str | None
    span: PhaseSpan
    trays: int


def standing(tick: Tick) -> Iterator[Stand]:
    """Yield the standing trays of every sown batch whose crop has a profile."""
    for stand, _ in standing_parts(tick):
        yield stand


def sensors_of(stand: Stand, quantity: Quantity, tick: Tick) -> tuple[str, ...]:
    """Return the ids of the sensors that speak for trays, looked up once for a moment."""
    key = ("sensors", stand.spot, is_covered(stand.span), quantity)
    if key not in tick.memo:
        tick.memo[key] = tuple(names_for(tick.farm, stand.spot, stand.span, quantity))
    found: tuple[str, ...] = tick.memo[key]
    return found


def open_stands(tick: Tick) -> Iterator[tuple[Stand, str]]:
    """Yield the trays that stand open past germination at a known place, with the place: there mould can start."""
    for stand in standing(tick):
        if stand.spot is not None and stand.span.kind is not PhaseKind.GERMINATION and not is_covered(stand.span):
            yield stand, stand.spot


def standing_parts(tick: Tick) -> tuple[tuple[Stand, Part], ...]:
    """Return the same, each with the part of the batch that it is; worked out once for a moment."""
    found: tuple[tuple[Stand, Part], ...] | None = tick.memo.get("standing")
    if found is None:
        found = tick.memo["standing"] = tuple(_stand_in(tick))
    return found


def _stand_in(tick: Tick) -> Iterator[tuple[Stand, Part]]:
    """Yield what stands in the rooms that are judged."""
    for batch in tick.batches.values():
        profile = tick.profiles.get(batch.crop)
        if profile is None or batch.sown_at is None or batch.is_over:
            continue
        for part in batch.standing:
            if not tick.ward.has(part.spot):
                continue
            span = span_of(batch, part, profile, tick)
            yield Stand(batch=batch, profile=profile, spot=part.spot, span=span, trays=part.trays), part
