"""How long each place was lit, day by day: worked out from stored readings, and as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, time, timedelta
from typing import Any

import numpy as np

from monitor.clock import at_local, local_day
from monitor.farm import Farm, Sensor
from monitor.light import LightDay, light_days, lux_factor
from monitor.readings import USABLE, Quantity, to_ms
from monitor.stores.protocol import ReadingStore

Row = tuple[Sensor, tuple[LightDay, ...]]


def light_sensors(farm: Farm, place: str | None = None) -> list[Sensor]:
    """Return the light sensors of a farm, or those of a place and what it holds or lies in.

    Raises:
        NotFoundError: There is no such place.
    """
    spot = farm.places.find(place).id if place else None
    return [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity in (Quantity.LIGHT, Quantity.PPFD)
        and (spot is None or farm.places.is_within(sensor.spot, spot) or farm.places.is_within(spot, sensor.spot))
    ]


def light_rows(farm: Farm, sensors: Iterable[Sensor], store: ReadingStore, *, now: datetime, days: int) -> list[Row]:
    """Return what sensors say of the light of the last local days, today among them."""
    last = local_day(now, farm.zone)
    first = last - timedelta(days=days - 1)
    rows: list[Row] = []
    for sensor in sensors:
        block = store.read([sensor.id], at_local(first, time(0), farm.zone) - timedelta(hours=1), now)
        good = np.isin(block.flag, [int(flag) for flag in USABLE])
        found = light_days(
            block.measured_at_ms[good],
            block.value[good],
            sensor.quantity,
            first,
            last,
            farm.zone,
            now_ms=to_ms(now),
            lux_per_umol=lux_factor(sensor.lux_per_umol, sensor.lamp_kind),
        )
        rows.append((sensor, tuple(found)))
    return rows


def light_facts(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the light of some days as the documented JSON."""
    return {
        "schema": "traywarden.light/1",
        "sensors": [
            {
                "sensor": sensor.id,
                "spot": sensor.spot,
                "days": [
                    {
                        "day": day.day.isoformat(),
                        "lit_h": round(day.lit_h, 3),
                        "dark_h": round(day.dark_h, 3),
                        "unknown_h": round(day.unknown_h, 3),
                        "mol_m2": None if day.mol_m2 is None else round(day.mol_m2, 3),
                    }
                    for day in found
                ],
            }
            for sensor, found in rows
        ],
    }
