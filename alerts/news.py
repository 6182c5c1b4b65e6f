"""What the watch over the room has to tell: a condition that began or ended, in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from alerts.findings import Priority
from monitor.amounts import say_time
from monitor.farm import Farm


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """One thing to tell about the room.

    Attributes:
        key: What makes it the same news for ever: the alarm and the instant at which it came.
        title: A few words, e.g. ``Too cold on rack 1 shelf 2``.
        text: Cause, consequence and what to do.
        priority: URGENT goes at once, the rest with the next round.
        since: Since when it has held.
        spot: Id of the place, or None.
    """

    key: str
    title: str
    text: str
    priority: Priority
    since: datetime
    spot: str | None


def down_news(last_at: datetime, now: datetime, farm: Farm) -> News:
    """Return the news that the monitor was down for a while."""
    span = f"from {say_time(last_at, farm.zone)} to {say_time(now, farm.zone)}"
    return News(
        key=f"down|{last_at.isoformat()}",
        title=f"The monitor was down {span}",
        text=(
            "What the sensors said meanwhile is there only if the broker kept it, and nobody was told of anything. "
            "Look over the room once."
        ),
        priority=Priority.MEDIUM,
        since=last_at,
        spot=None,
    )
