"""What the watch over the room has to tell: a condition that began or ended, in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
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
        rule: Name of the rule that found it; empty: none did.
        root: The root that it tells of; empty: none that can end.
        wakes: An urgent one breaks quiet hours; else it waits for the round after them.
        is_passing: Once it is over it is not told any more.
    """

    key: str
    title: str
    text: str
    priority: Priority
    since: datetime
    spot: str | None
    rule: str = ""
    root: str = ""
    wakes: bool = True
    is_passing: bool = False

    def over(self, since: datetime, farm: Farm) -> News:
        """Return the same news, told after its condition has ended."""
        ended = say_time(since, farm.zone)
        return replace(self, title=f"{self.title}, over since {ended}", text=f"It was so, and is not now: {self.text}")


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


def unwatched_news(room: str, last_at: datetime, now: datetime, farm: Farm) -> News:
    """Return the news that no process watched a room for a while."""
    span = f"from {say_time(last_at, farm.zone)} to {say_time(now, farm.zone)}"
    return News(
        key=f"unwatched|{room}|{last_at.isoformat()}",
        title=f"Nobody watched {farm.places.name(room)} {span}",
        text=(
            "What the sensors said meanwhile is kept where a collector ran, and nobody was told of anything. "
            "Look over the room once."
        ),
        priority=Priority.MEDIUM,
        since=last_at,
        spot=room,
    )


def kept_after(kept: Sequence[News], at_once: Sequence[News], rest: Sequence[News]) -> list[News]:
    """Return what is kept for the round: the rest on top, without the roots of which something was told at once."""
    told = {each.root for each in at_once if each.root}
    return [*(each for each in kept if each.root not in told), *rest]


def still_worth(kept: Sequence[News], over_since: Callable[[str], datetime | None], farm: Farm) -> list[News]:
    """Return what of the news kept for a round is still to be told, said so where it has ended meanwhile.

    Of one root that was kept twice only the last is told.

    Args:
        kept: What was kept, oldest first.
        over_since: Since when no alarm of a root is active any more; None: one is, or none ever was.
        farm: The farm.
    """
    newest = {each.root or each.key: each for each in kept}
    told = []
    for each in newest.values():
        ended = over_since(each.root) if each.root else None
        if ended is None:
            told.append(each)
        elif not each.is_passing:
            told.append(each.over(ended, farm))
    return told
