"""The newest reading of each sensor, whatever its flag: from memory where it is held, else from the store."""

from __future__ import annotations

from datetime import datetime

from dashboards.web.house import House
from monitor.readings import Reading


def newest(house: House) -> dict[str, Reading]:
    """Return each sensor's newest reading; one that never spoke is left out.

    The store is asked only for those whose newest usable reading is not the last that was heard of them.
    """
    found: dict[str, Reading] = {}
    doubtful: list[str] = []
    for sensor in house.farm.sensors:
        usable, heard_at = house.live.latest(sensor), house.live.last_heard(sensor)
        if usable is not None and heard_at is not None and _same(usable.measured_at, heard_at):
            found[sensor] = usable
        else:
            doubtful.append(sensor)
    return {**found, **(house.store.latest(doubtful) if doubtful else {})}


def _same(one: datetime, other: datetime) -> bool:
    """Tell whether two instants are the same to the millisecond in which they are kept."""
    return abs((one - other).total_seconds()) < 0.001
