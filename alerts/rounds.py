"""When the racks are walked: the farm's round times as instants, through both clock changes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from monitor.clock import at_local, local_day
from monitor.farm import Farm


def rounds_of_day(farm: Farm, day: date) -> tuple[datetime, ...]:
    """Return the instants of one local day's rounds, in order."""
    return tuple(sorted(at_local(day, wall, farm.zone) for wall in farm.rounds))


def first_round(farm: Farm, day: date) -> datetime:
    """Return the instant of the first round of a local day."""
    return rounds_of_day(farm, day)[0]


def _rounds_from(farm: Farm, day: date) -> Iterator[datetime]:
    """Yield round instants from a local day on, for ever."""
    while True:
        yield from rounds_of_day(farm, day)
        day += timedelta(days=1)


def next_round(farm: Farm, now: datetime) -> datetime:
    """Return the first round strictly after an instant."""
    return next(at for at in _rounds_from(farm, local_day(now, farm.zone)) if at > now)


def last_round(farm: Farm, now: datetime) -> datetime:
    """Return the last round at or before an instant."""
    day = local_day(now, farm.zone)
    passed = [at for each in (day - timedelta(days=1), day) for at in rounds_of_day(farm, each) if at <= now]
    return passed[-1]
