"""Recorded readings through the rules as they are now: which news would have come; nothing is written; pure.

What people answered then (heard, put aside, out of service) does not count: it is the rules that are looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from alerts.alarms import Alarm, over_since, step
from alerts.findings import Tick
from alerts.news import News, kept_after, still_worth
from alerts.nudges import parted
from alerts.rounds import next_round
from alerts.stages import look, news_of
from monitor.batches import Batch
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import Entry, effective
from monitor.live import LiveBuffer
from monitor.profiles import Profile
from monitor.readings import Block, to_ms
from monitor.scales import Scales
from monitor.scalesetup import setups_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """One piece of news that would have come.

    Attributes:
        at: When it came.
        told_at: When it would have been told: at once, or at the round after it.
        news: What it would have told.
    """

    at: datetime
    told_at: datetime
    news: News


class Replay:
    """The rules on a clock of their own, fed with recorded readings."""

    def __init__(
        self, farm: Farm, profiles: Mapping[str, Profile], entries: Sequence[Entry], *, start: datetime
    ) -> None:
        """Take the farm, the profiles to judge by, the whole ledger, and when the watching is to begin."""
        self._farm, self._profiles, self._start = farm, profiles, start
        self._entries = effective(entries)
        self._live = LiveBuffer()
        self._scales = Scales(farm.sensors)
        self._scales.set_up(setups_of(entries, farm.sensors))
        self._alarms: dict[str, Alarm] = {}
        self._kept: list[Came] = []
        self._round_at: datetime | None = None
        self._batches: dict[str, Batch] = {}
        self._known = -1

    def feed(self, block: Block) -> None:
        """Take in recorded readings, in order of time."""
        self._live.take(block)
        self._scales.take(block)

    def look(self, now: datetime) -> tuple[Came, ...]:
        """Judge the room at an instant, and return what would have been told then."""
        known = sum(entry.at <= now for entry in self._entries)
        if known != self._known:
            self._batches, self._known = fold_as_of(self._entries, now), known
        tick = Tick(
            now=now,
            farm=self._farm,
            profiles=self._profiles,
            batches=self._batches,
            live=self._live,
            watching_since=self._start,
            scales=self._scales,
        )
        after = step(self._alarms, look(tick), now)
        found = news_of(self._alarms, after, tick)
        self._alarms = after
        at_once, rest = parted(found, tick)
        told = [Came(at=now, told_at=now, news=news) for news in at_once]
        if self._round_at is not None and now >= self._round_at:
            told += self.rest(now)
            self._round_at = None
        came_at = {**{each.news.key: each.at for each in self._kept}, **{news.key: now for news in rest}}
        kept = kept_after([each.news for each in self._kept], at_once, rest)
        self._kept = [Came(at=came_at[news.key], told_at=now, news=news) for news in kept]
        if self._kept and self._round_at is None:
            self._round_at = next_round(self._farm, now)
        return tuple(told)

    def rest(self, now: datetime) -> list[Came]:
        """Return what waited for a round, as it would be told now."""
        kept, self._kept = {each.news.key: each for each in self._kept}, []
        worth = still_worth([each.news for each in kept.values()], self._over_since, self._farm)
        return [Came(at=kept[news.key].at, told_at=now, news=news) for news in worth]

    def _over_since(self, root: str) -> datetime | None:
        """Return since when no alarm of a root is active any more, or None."""
        return over_since(self._alarms, root)


def in_order(block: Block) -> Block:
    """Return a block with its readings in the order of their instants."""
    order = np.argsort(block.measured_at_ms, kind="stable")
    return block.rows(order)


def through(run: Replay, block: Block, start: datetime, end: datetime, every: timedelta) -> Iterator[Came]:
    """Yield what would have been told over some time, looking at an interval; start is looked at, end is not.

    Args:
        run: The replay, fed with what lies before.
        block: Recorded readings of this time, in order of their instants.
        start: First look.
        end: Where to stop.
        every: Between looks.
    """
    now, place = start, 0
    while now < end:
        upto = int(np.searchsorted(block.measured_at_ms, to_ms(now), side="right"))
        if upto > place:
            run.feed(block.rows(slice(place, upto)))
            place = upto
        yield from run.look(now)
        now += every
    if place < len(block):
        run.feed(block.rows(slice(place, len(block))))
