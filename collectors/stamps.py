"""Times as devices write them: RFC 3339, a local time of a known zone, or a count since 1970; pure."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.errors import PayloadError

_MS_FROM = 1e11
"""A bare number of at least this is milliseconds since 1970, not seconds (which would be the year 5138)."""

_AHEAD_S = 300.0
"""A device's clock may be this far ahead of the time of arrival. [s]"""

# [RFC3339] section 5.6, with a space for the T as its note allows; the offset may be left out where a zone is known
_STAMP = re.compile(
    r"(?P<day>\d{4}-\d\d-\d\d)[Tt ](?P<minute>\d\d:\d\d):(?P<second>\d\d)(?P<part>\.\d+)?"
    r"(?:(?P<utc>[Zz])|(?P<offset>[+-]\d\d:[0-5]\d))?",
    re.ASCII,
)


def seconds_of(said: Any, zone: str | None = None, *, arrived_s: float | None = None) -> float:
    """Return a payload's time in seconds since 1970.

    Args:
        said: A number (seconds, or milliseconds from 1e11 up), a text that holds one, or an RFC 3339 date-time.
        zone: Time zone of a device that writes local times without offset; None: such times are refused.
        arrived_s: When it came. A local time that occurs twice means the second where it came after that, since
            devices send as they measure; else, and where it is not known, the first. [s since 1970]

    Raises:
        PayloadError: It is none of these; says what would be.
    """
    if isinstance(said, str):
        stamp = _STAMP.fullmatch(said)
        if stamp is not None:
            return _of_stamp(said, stamp, zone, arrived_s)
    number = _number(said)
    if number is None:
        raise PayloadError(
            f"{said!r} is no time as RFC 3339 writes it, and no count of seconds; send e.g. 2026-03-02T08:00:00Z"
        )
    return number / 1000 if abs(number) >= _MS_FROM else number


def _number(said: Any) -> float | None:
    """Return a count, or None where there is none."""
    if isinstance(said, bool) or not isinstance(said, int | float | str):
        return None
    try:
        number = float(said)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _of_stamp(said: str, stamp: re.Match[str], zone: str | None, arrived_s: float | None) -> float:
    """Return the seconds of a date-time whose shape is right; a leap second counts as the one after it."""
    leaps = stamp["second"] == "60"
    second = "59" if leaps else stamp["second"]
    offset = "+00:00" if stamp["utc"] else stamp["offset"] or ""
    try:
        wall = datetime.fromisoformat(f"{stamp['day']}T{stamp['minute']}:{second}{offset}")
        if wall.tzinfo is None:
            if zone is None:
                raise PayloadError(f"{said!r} has no offset; set time_zone for its sensor in farm.toml")
            wall = _of_its_pass(wall.replace(tzinfo=ZoneInfo(zone)), arrived_s)
        instant = wall.astimezone(UTC)
    except (ValueError, OverflowError) as exc:
        raise PayloadError(f"{said!r} is no time that can be: {exc}") from exc
    if leaps and (instant.hour, instant.minute) != (23, 59):
        raise PayloadError(f"{said!r} has a leap second where none can be")
    return instant.timestamp() + (1.0 if leaps else float(f"0{stamp['part'] or ''}"))


def _of_its_pass(wall: datetime, arrived_s: float | None) -> datetime:
    """Return a local time as the second of its kind where it came after that, else as the first."""
    again = wall.replace(fold=1)
    if arrived_s is None or again.timestamp() <= wall.timestamp():
        return wall  # occurs once, or is skipped
    return again if again.timestamp() <= arrived_s + _AHEAD_S else wall
