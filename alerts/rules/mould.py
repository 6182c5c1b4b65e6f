"""Mould weather: air so near to saturation, for so long, that leaves stay wet; one watch for all crops."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from alerts.findings import Finding, Priority, Tick
from alerts.recents import middles_ms
from alerts.standing import Stand, open_stands, sensors_of
from monitor.amounts import say_time
from monitor.loadcell import BIN_MS
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
    warm, damp = (sensors_of(stand, quantity, tick) for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY))
    if not (_is_heard(warm, tick) and _is_heard(damp, tick)):
        return None  # what is not heard now is not judged by yesterday
    key = ("mould weather", warm, damp, to_ms(tick.now) // BIN_MS)
    return tick.scales.once(key, lambda: _run(warm, damp, tick))


def _is_heard(sensors: tuple[str, ...], tick: Tick) -> bool:
    """Tell whether any of some sensors is heard these days."""
    key = ("is heard", sensors)
    if key not in tick.memo:
        heard = (tick.live.last_heard(name) for name in sensors)
        tick.memo[key] = any(at is not None and tick.now - at <= _FRESH for at in heard)
    return bool(tick.memo[key])


def _run(warm: Sequence[str], damp: Sequence[str], tick: Tick) -> datetime | None:
    """Return since when the air of some sensors has been mould weather for long enough, or None."""
    newest = to_ms(tick.now) // BIN_MS - 1  # the last half hour that is over
    count = int(_LOOK_BACK / timedelta(milliseconds=BIN_MS))
    deficits = tick.scales.deficit_at(warm, damp)(middles_ms(tick, count))
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
