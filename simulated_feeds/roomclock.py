"""The minutes of a simulated week, and what a wall clock shows in each, through both clock changes; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.clock import at_local
from monitor.readings import to_ms

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """The minutes from the first midnight on.

    Attributes:
        zone: Time zone.
        first_day: Local day at whose midnight they begin.
        start: That midnight.
        wall_min: Wall-clock minute of the day, each minute; shape (n,). [min]
        day: Days since the first, each minute; shape (n,).
    """

    zone: ZoneInfo
    first_day: date
    start: datetime
    wall_min: NDArray[np.int64]
    day: NDArray[np.int64]

    def __len__(self) -> int:
        """Return how many minutes there are."""
        return len(self.wall_min)

    def at(self, minute: float) -> datetime:
        """Return the instant of a minute."""
        return self.start + timedelta(minutes=minute)

    def ms(self, minute: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return instants as milliseconds since 1970."""
        return np.asarray(to_ms(self.start) + np.round(minute * 60_000)).astype(np.int64)

    def minute_of(self, instant: datetime) -> float:
        """Return the minute of an instant, before the first one negative."""
        return (instant - self.start) / MINUTE

    def wall(self, day: int, wall: time) -> float:
        """Return the minute of a wall-clock time on a day after the first (or before it)."""
        return self.minute_of(at_local(self.first_day + timedelta(days=day), wall, self.zone))


def minutes_of(zone: ZoneInfo, first_day: date, days: int) -> Minutes:
    """Return the minutes of some local days."""
    start = at_local(first_day, time(0), zone)
    end = at_local(first_day + timedelta(days=days), time(0), zone)
    count = round((end - start) / MINUTE)
    local = [(start + timedelta(hours=hour)).astimezone(zone) for hour in range(count // 60 + 1)]
    base = np.array([each.hour * 60 + each.minute for each in local])
    day = np.array([(each.date() - first_day).days for each in local])
    within = np.arange(count) % 60
    hour = np.arange(count) // 60
    return Minutes(zone=zone, first_day=first_day, start=start, wall_min=base[hour] + within, day=day[hour])
