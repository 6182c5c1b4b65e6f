"""When too much goes wrong at once to be read line by line: urgent news is bundled until it calms down; pure.

Rates of a flood after [ISA-18.2], from memory: it begins with more than ten alarms in ten minutes and is over with
fewer than five.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alerts.findings import Priority
from alerts.news import News

BEGINS_OVER, ENDS_UNDER = 10, 5
WITHIN = timedelta(minutes=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """How many alarms have come lately, and what of it waits to be told.

    Attributes:
        raised_at: When the alarms of the last ten minutes came, one instant each.
        is_on: A flood is on.
        told_at: When its last bundle was told; None: none yet.
        held: Urgent news that waits for the next bundle.
    """

    raised_at: tuple[datetime, ...] = ()
    is_on: bool = False
    told_at: datetime | None = None
    held: tuple[News, ...] = ()


def through(
    flood: Flood, raised: int, urgent: Sequence[News], now: datetime, *, room: str | None = None
) -> tuple[Flood, tuple[News, ...]]:
    """Return the flood after a look, and what is to be told now.

    Args:
        flood: As it stood.
        raised: How many alarms came with this look.
        urgent: The urgent news of this look.
        now: The instant.
        room: The room whose flood it is, which its bundle's key then names; None: the whole farm's.
    """
    raised_at = (*(at for at in flood.raised_at if now - at < WITHIN), *[now] * raised)
    is_on = len(raised_at) > BEGINS_OVER or (flood.is_on and len(raised_at) >= ENDS_UNDER)
    waiting = (*flood.held, *urgent)
    if not is_on:
        return Flood(raised_at=raised_at), _bundle(waiting, now, room) if flood.held else waiting
    begun = replace(flood, raised_at=raised_at, is_on=True, held=waiting)
    if not waiting or (flood.told_at is not None and now - flood.told_at < WITHIN):
        return begun, ()
    return replace(begun, told_at=now, held=()), _bundle(waiting, now, room)


def _bundle(news: Sequence[News], now: datetime, room: str | None) -> tuple[News, ...]:
    """Return several pieces of news as one; one alone stays as it is."""
    if len(news) < 2:
        return tuple(news)
    lines = [f"- {each.title}. {each.text}" for each in news]
    title = f"{len(news)} things are wrong at once"
    whole = News(
        key=f"flood|{now.isoformat()}" if room is None else f"flood|{room or '-'}|{now.isoformat()}",
        title=title,
        text="\n".join(["Look at the first line first; it is often the root of the rest.", *lines]),
        priority=Priority.URGENT,
        since=min(each.since for each in news),
        spot=news[0].spot,
        rule="flood",
        wakes=any(each.wakes for each in news),
    )
    return (whole,)
