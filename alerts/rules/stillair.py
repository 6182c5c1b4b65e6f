"""Still air: one place of a room much damper than its neighbours, hour after hour."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Finding, Priority, Tick
from alerts.recents import half_hours
from alerts.standing import Stand, open_stands
from monitor.readings import Quantity

OVER = timedelta(hours=2)
_HIGHER_PCT = 10.0
"""So many points of humidity over the middle of its neighbours, for so long. Ours. [%RH]"""
_DAMP_FROM_PCT = 70.0
_NEIGHBOURS = 2


def still_air(tick: Tick) -> tuple[Finding, ...]:
    """Return the open trays over which the air stands: by a humidity sensor there, against two others at least."""
    found = []
    for stand, spot in open_stands(tick):
        own = _at(spot, tick)
        others = [means for other, means in _room(spot.split("/")[0], tick).items() if other != spot]
        if own is None or len(others) < _NEIGHBOURS:
            continue
        middle = np.median(np.vstack(others), axis=0)
        if bool((own - middle >= _HIGHER_PCT).all()) and float(own[0]) >= _DAMP_FROM_PCT:
            found.append(_finding(stand, float(own[0]), float(middle[0]), tick))
    return tuple(found)


def _room(room: str, tick: Tick) -> dict[str, NDArray[np.float64]]:
    """Return the humidity of the last hours at each place of a room that has a sensor of its own, newest first."""
    key = ("humidity of room", room)
    if key not in tick.memo:
        by_spot: dict[str, list[str]] = {}
        for sensor in tick.farm.sensors.values():
            if sensor.quantity is Quantity.HUMIDITY and not sensor.under_cover and sensor.spot.split("/")[0] == room:
                by_spot.setdefault(sensor.spot, []).append(sensor.id)
        means = {spot: half_hours(tick, tuple(names), OVER) for spot, names in by_spot.items()}
        tick.memo[key] = {spot: each for spot, each in means.items() if not np.isnan(each).any()}
    found: dict[str, NDArray[np.float64]] = tick.memo[key]
    return found


def _at(spot: str, tick: Tick) -> NDArray[np.float64] | None:
    """Return the humidity of the last hours at a place or the nearest that holds it, but for the room itself."""
    known = _room(spot.split("/")[0], tick)
    inner = [outer for outer in tick.farm.places.chain(spot) if "/" in outer]
    return next((known[outer] for outer in inner if outer in known), None)


def _finding(stand: Stand, own: float, middle: float, tick: Tick) -> Finding:
    """Return the finding in words."""
    place = tick.farm.places.name(stand.spot)
    return Finding(
        rule="still air",
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=None,
        priority=Priority.MEDIUM,
        since=tick.now - OVER,
        value=own,
        limit=middle,
        cause=f"{own:.0f} % humidity at {place}, {middle:.0f} % at its neighbours: the air there stands.",
        consequence="Leaves stay wet in the canopy, and mould starts in such a corner first.",
        action="See that the fan runs and reaches it; space the trays, and lift what blocks the air.",
    )
