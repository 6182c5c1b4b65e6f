"""Instants and days as people say them: "07:30", "yesterday 18:00", "tue 7:30", "friday", 2026-03-02; pure."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.clock import at_local, local_day
from monitor.errors import TimeError
from monitor.people import WEEKDAYS

AHEAD_ALLOWED = timedelta(minutes=5)
_CLOCK = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)$")


def read_day(said: str, *, today: date, ahead: bool) -> date:
    """Return the local day that a person means.

    Args:
        said: today, yesterday, tomorrow, a weekday, or 2026-03-02.
        today: The present local day.
        ahead: A weekday means the next one (today included); else the last one (today included).

    Raises:
        TimeError: It cannot be read.
    """
    word = said.strip().casefold()
    near = {"today": 0, "yesterday": -1, "tomorrow": 1}
    if word in near:
        return today + timedelta(days=near[word])
    if len(word) >= 3 and word[:3] in WEEKDAYS and word.isalpha():
        wanted = WEEKDAYS.index(word[:3])
        if ahead:
            return today + timedelta(days=(wanted - today.weekday()) % 7)
        return today - timedelta(days=(today.weekday() - wanted) % 7)
    try:
        return date.fromisoformat(word)
    except ValueError as exc:
        raise TimeError(f"{said!r} is no day; say today, yesterday, a weekday, or 2026-03-02") from exc


def read_instant(said: str, *, now: datetime, zone: ZoneInfo, ahead: bool = False) -> datetime:
    """Return the UTC instant that a person means, in the farm's zone where no offset is given.

    Args:
        said: 07:30 (today), yesterday 18:00, tue 7:30, 2026-03-02 07:30, or RFC 3339 with an offset.
        now: The present instant.
        zone: The farm's zone.
        ahead: Weekdays and instants may lie ahead.

    Raises:
        TimeError: It cannot be read, or it lies ahead although it should not.
    """
    instant = _read(said.strip(), now, zone, ahead)
    if not ahead and instant > now + AHEAD_ALLOWED:
        raise TimeError(f"{said!r} lies ahead of now; say when it was done, e.g. 'yesterday 18:00'")
    return min(instant, now) if not ahead else instant


def _read(said: str, now: datetime, zone: ZoneInfo, ahead: bool) -> datetime:
    """Return the instant that a text means."""
    day_said, _, clock_said = said.rpartition(" ")
    match = _CLOCK.match(clock_said)
    if match:
        today = local_day(now, zone)
        day = read_day(day_said, today=today, ahead=ahead) if day_said else today
        return at_local(day, time(int(match.group(1)), int(match.group(2))), zone)
    try:
        instant = datetime.fromisoformat(said)
    except ValueError as exc:
        raise TimeError(
            f"{said!r} is no time; say 07:30, 'yesterday 18:00', 'tue 7:30' or 2026-03-02T07:30:00+01:00"
        ) from exc
    if len(said) <= 10:
        raise TimeError(f"{said!r} is a day without a time; add one, e.g. '{said} 07:30'")
    return instant.astimezone(UTC) if instant.tzinfo else instant.replace(tzinfo=zone).astimezone(UTC)
