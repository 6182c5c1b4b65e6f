"""The water of the trays that stand: worked out for a moment, and as the documented JSON."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from alerts.findings import Tick
from alerts.rounds import next_round
from alerts.standing import standing_parts
from alerts.watering import PartWater, water_of
from monitor.pouring import is_due


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterView:
    """The water of the trays that stand.

    Attributes:
        tick: The moment.
        coming_at: When the next round is.
        rows: Each part's water, and whether it is to be poured now, in walking order.
        pours_ml: What is to be poured now, by part. [ml]
    """

    tick: Tick
    coming_at: datetime
    rows: tuple[tuple[PartWater, bool], ...]
    pours_ml: tuple[float, ...]


def water_view(tick: Tick, only: str | None = None) -> WaterView:
    """Return the water of the trays that stand, or of one batch's."""
    coming = next_round(tick.farm, tick.now)
    hours = (coming - tick.now) / timedelta(hours=1)
    found = [
        water_of(stand.batch, part, stand.span, stand.profile, tick)
        for stand, part in standing_parts(tick)
        if only is None or stand.batch.id == only
    ]
    found.sort(key=lambda known: tick.farm.places.walking_order(known.part.spot))
    rows = tuple((known, known.water is not None and is_due(known.water, hours)) for known in found)
    pours = tuple(known.water.pour_g * known.part.trays for known, due in rows if due and known.water)
    return WaterView(tick=tick, coming_at=coming, rows=rows, pours_ml=pours)


def water_json(known: PartWater, *, due: bool) -> dict[str, Any]:
    """Return the water of one part as the documented JSON."""
    water, scale = known.water, known.scale
    facts: dict[str, Any] = {
        "batch": known.batch.id,
        "crop": known.batch.crop,
        "spot": known.part.spot,
        "trays": known.part.trays,
        "phase": known.span.kind.value,
        "covered": known.covered,
        "known_by": water.known.value if water else None,
        "scale": scale.sensor.id if scale else None,
        "doubt": scale.doubt if scale else None,
        "due": due,
        "poured_at": known.poured_at.isoformat() if known.poured_at else None,
        "stands_in_water_since": known.stands_since.isoformat() if known.stands_since else None,
    }
    if water is not None:
        facts |= {
            "left": round(water.left, 3),
            "left_80": [round(water.left_low, 3), round(water.left_high, 3)],
            "deficit_g": round(water.deficit_g),
            "pour_ml": round(water.pour_g),
            "plants_g": round(water.plants_g),
            "hours_to_refill": round(water.refill_h, 1),
            "hours_to_refill_80": [round(water.refill_h_low, 1), round(water.refill_h_high, 1)],
            "hours_to_limp": round(water.dry_h, 1),
            "hours_to_limp_80": [round(water.dry_h_low, 1), round(water.dry_h_high, 1)],
            "lit_g_per_h": round(water.rate.lit_g_h, 2),
            "dark_g_per_h": round(water.rate.dark_g_h, 2),
        }
    return facts


def dry_facts(view: WaterView) -> dict[str, Any]:
    """Return the water of the trays that stand as the documented JSON."""
    return {
        "schema": "traywarden.dry/1",
        "at": view.tick.now.isoformat(),
        "next_round_at": view.coming_at.isoformat(),
        "pour_ml_in_all": round(sum(view.pours_ml)),
        "trays": [water_json(known, due=due) for known, due in view.rows],
    }
