"""Who works on the farm, on which days, and when they are not to be woken."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from zoneinfo import ZoneInfo

WEEKDAYS: tuple[str, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietHours:
    """A local span in which only what is urgent is told; it may pass midnight."""

    start: time
    end: time

    def covers(self, wall_time: time) -> bool:
        """Tell whether a wall-clock time lies inside; the end itself does not."""
        if self.start <= self.end:
            return self.start <= wall_time < self.end
        return wall_time >= self.start or wall_time < self.end


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who walks the racks.

    Attributes:
        id: Short name or initials, as entries keep it.
        channels: Names of the channels that reach this person, in the order they are used.
        days: Weekdays on duty, of WEEKDAYS.
        quiet: Quiet hours, or None.
    """

    id: str
    channels: tuple[str, ...]
    days: frozenset[str] = frozenset(WEEKDAYS)
    quiet: QuietHours | None = None

    def is_on_duty(self, instant: datetime, zone: ZoneInfo) -> bool:
        """Tell whether the local day of an instant is one of this person's days."""
        return WEEKDAYS[instant.astimezone(zone).weekday()] in self.days

    def is_quiet(self, instant: datetime, zone: ZoneInfo) -> bool:
        """Tell whether an instant falls into this person's quiet hours."""
        return self.quiet is not None and self.quiet.covers(instant.astimezone(zone).time())
