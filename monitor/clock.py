"""What time it is: handed in, so that a test or a rehearsal can say.

Everything inside works on aware UTC instants; local time is made only where a person reads or a
day is counted.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Return the machine's present instant in UTC."""
    return datetime.now(UTC)


class ManualClock:
    """A clock that stands until it is moved; for tests, rehearsals and the demo."""

    def __init__(self, now: datetime) -> None:
        """Start at ``now`` (aware)."""
        self.now = now.astimezone(UTC)

    def __call__(self) -> datetime:
        """Return the instant at which the clock stands."""
        return self.now

    def set(self, now: datetime) -> None:
        """Stand at ``now``."""
        self.now = now.astimezone(UTC)


def local_day(instant: datetime, zone: ZoneInfo) -> date:
    """Return the local calendar day on which an instant falls."""
    return instant.astimezone(zone).date()


def day_number(instant: datetime, sown_at: datetime, zone: ZoneInfo) -> int:
    """Return how many local calendar days lie between the sowing day (day 0) and an instant."""
    return (local_day(instant, zone) - local_day(sown_at, zone)).days


def at_local(day: date, wall_time: time, zone: ZoneInfo) -> datetime:
    """Return the UTC instant of a wall-clock time on a local day.

    A time that occurs twice means the first; a time that is skipped uses the offset before the gap.
    Source: [RFC5545] 3.3.5.
    """
    return datetime.combine(day, wall_time.replace(fold=0), tzinfo=zone).astimezone(UTC)
