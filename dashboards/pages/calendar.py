"""The calendar page: the secret address, and what a phone will show; pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dashboards.feed import FeedEntry
from monitor.amounts import say_time
from monitor.farm import Farm

SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarLine:
    """One entry as the page lists it.

    Attributes:
        when: Day and time, in words.
        what: What to do.
        place: Where; empty: nowhere in particular.
    """

    when: str
    what: str
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarPage:
    """The page.

    Attributes:
        address: The secret address.
        is_reachable: A phone can reach it.
        lines: The first entries.
        more: How many follow.
    """

    address: str
    is_reachable: bool
    lines: tuple[CalendarLine, ...]
    more: int


def build_calendar(farm: Farm, entries: Iterable[FeedEntry], *, address: str, is_reachable: bool) -> CalendarPage:
    """Return the page of a farm's calendar."""
    listed = list(entries)
    lines = tuple(
        CalendarLine(when=say_time(each.starts_at, farm.zone), what=each.summary, place=each.place)
        for each in listed[:SHOWN]
    )
    return CalendarPage(address=address, is_reachable=is_reachable, lines=lines, more=max(0, len(listed) - SHOWN))
