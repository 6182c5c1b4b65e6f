"""A time zone's changes of clock over some years, as an iCalendar file tells them; pure.

Source: [RFC5545] 3.6.5: each change begins at a local time of the offset before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

_STEP = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChange:
    """One change of clock, or the rule that holds at the beginning.

    Attributes:
        at: When it begins (UTC).
        before: Offset from UTC before it.
        after: Offset from UTC from it on.
        name: What the time is called from it on, e.g. ``WEST``.
        is_summer: It is a summer time.
    """

    at: datetime
    before: timedelta
    after: timedelta
    name: str
    is_summer: bool

    @property
    def begins(self) -> datetime:
        """Return when it begins by the clock that goes until then, without a zone."""
        return (self.at + self.before).replace(tzinfo=None)


def clock_changes(zone: ZoneInfo, first: datetime, last: datetime) -> tuple[ClockChange, ...]:
    """Return the rule that holds at an instant, and every change until another, oldest first."""
    at = first.astimezone(UTC).replace(microsecond=0)
    found = [_change(zone, at, _offset(zone, at))]
    while at < last:
        later = at + _STEP
        if _mark(zone, later) != _mark(zone, at):
            found.append(_change(zone, _between(zone, at, later), _offset(zone, at)))
        at = later
    return tuple(found)


def _offset(zone: ZoneInfo, at: datetime) -> timedelta:
    """Return a zone's offset at an instant."""
    return at.astimezone(zone).utcoffset() or timedelta()


def _mark(zone: ZoneInfo, at: datetime) -> tuple[timedelta, str | None]:
    """Return what a change changes."""
    local = at.astimezone(zone)
    return (local.utcoffset() or timedelta(), local.tzname())


def _between(zone: ZoneInfo, before: datetime, after: datetime) -> datetime:
    """Return the first second of the new rule between two instants of different rules."""
    old = _mark(zone, before)
    while after - before > timedelta(seconds=1):
        middle = (before + (after - before) / 2).replace(microsecond=0)
        if _mark(zone, middle) == old:
            before = middle
        else:
            after = middle
    return after


def _change(zone: ZoneInfo, at: datetime, before: timedelta) -> ClockChange:
    """Return the rule that holds from an instant on."""
    local = at.astimezone(zone)
    return ClockChange(
        at=at,
        before=before,
        after=local.utcoffset() or timedelta(),
        name=local.tzname() or "",
        is_summer=bool(local.dst()),
    )


def zone_component(zone: ZoneInfo, first: datetime, last: datetime) -> Any:
    """Return a zone's rules between two instants as a VTIMEZONE of the icalendar library."""
    from icalendar import Timezone, TimezoneDaylight, TimezoneStandard

    found = Timezone()
    found.add("tzid", zone.key)
    for change in clock_changes(zone, first, last):
        part = TimezoneDaylight() if change.is_summer else TimezoneStandard()
        part.add("dtstart", change.begins)
        part.add("tzoffsetfrom", change.before)
        part.add("tzoffsetto", change.after)
        part.add("tzname", change.name)
        found.add_component(part)
    return found
