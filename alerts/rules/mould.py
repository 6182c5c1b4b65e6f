"""Mould weather: air so near to saturation, for so long, that leaves stay wet; one watch for all crops."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from alerts.findings import Finding, Priority, Tick
from alerts.standing import Stand, open_stands
from monitor.amounts import say_time
from monitor.loadcell import BIN_MS
from monitor.reach import names_for
from monitor.readings import Quantity, from_ms, to_ms

DEFICIT_KPA = 0.35
"""Under this vapour pressure deficit (85 % at 20 degC) leaves hardly dry. Common practice, no source. [kPa]"""
LASTING = timedelta(hours=6)
"""For so long, outside germination. Common practice, no source."""
_LEAST_KNOWN = 0.8
_FRESH = timedelta(minutes=75)
_LOOK_BACK = timedelta(hours=48)


def mould(tick: Tick) -> tuple[Finding, ...]:
    """Return the open trays over which the air has been mould weather for six hours."""
    found = []
    for stand, _ in open_stands(tick):
        since = _since(stand, tick)
        if since is not None:
            found.append(_finding(stand, since, tick))
    return tuple(found)


def _since(stand: Stand, tick: Tick) -> datetime | None:
    """Return since when it has been mould weather, or None where it is not, or not for long enough."""
    names = {
        quantity: names_for(tick.farm, stand.spot, stand.span, quantity)
        for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    }
    heard = [[tick.live.last_heard(name) for name in listed] for listed in names.values()]
    if not all(any(at is not None and tick.now - at <= _FRESH for at in listed) for listed in heard):
        return None  # what is not heard now is not judged by yesterday
    deficit_at = tick.scales.deficit_at(names[Quantity.TEMPERATURE], names[Quantity.HUMIDITY])
    newest = to_ms(tick.now) // BIN_MS - 1  # the last half hour that is over
    count = int(_LOOK_BACK / timedelta(milliseconds=BIN_MS))
    deficits = deficit_at(np.array([(newest - back) * BIN_MS + BIN_MS / 2 for back in range(count)]))
    wet = deficits < DEFICIT_KPA
    dry = np.flatnonzero(~wet & ~np.isnan(deficits))
    run = int(dry[0]) if len(dry) else count
    known = int((~np.isnan(deficits[:run])).sum())
    least = int(LASTING / timedelta(milliseconds=BIN_MS))
    if run < least or np.isnan(deficits[0]) or known < _LEAST_KNOWN * run:
        return None
    return from_ms((newest - run + 1) * BIN_MS)


def _finding(stand: Stand, since: datetime, tick: Tick) -> Finding:
    """Return the finding in words."""
    place = tick.farm.places.name(stand.spot)
    hours = (tick.now - since) / timedelta(hours=1)
    return Finding(
        rule="mould weather",
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=None,
        priority=Priority.MEDIUM,
        since=since,
        value=hours,
        limit=LASTING / timedelta(hours=1),
        cause=(
            f"The air at {place} has been nearly saturated since {say_time(since, tick.farm.zone)}, for {hours:.0f} "
            f"hours; batch {stand.batch.id} {stand.profile.name.lower()} stands open in it."
        ),
        consequence="Leaves stay wet, and mould and damping-off start there.",
        action="Get the fan going, space trays apart, pour less on the next round, and look under the canopy for fuzz.",
    )
