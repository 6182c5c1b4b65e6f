"""The moment as the pages see it: ledger, promises and sensors as one Tick, for any thread and any instant."""

from __future__ import annotations

import threading
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.tasks import Task
from monitor.batches import Batch
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.health import Health
from monitor.ledger import Entry, effective
from monitor.live import LiveState
from monitor.profiles import Profile
from monitor.promises import Promise, promises_as_of
from monitor.scales import ScaleView
from monitor.stores.ledger import SqlLedger

_KEPT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One instant with its open tasks.

    Attributes:
        tick: All that may be looked at.
        tasks: What is open then, in walking order.
        version: The number of the ledger's newest entry.
    """

    tick: Tick
    tasks: tuple[Task, ...]
    version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Folded:
    """A ledger folded for an instant; it holds until the next entry's own instant."""

    known: tuple[Entry, ...]
    batches: Mapping[str, Batch]
    promises: Mapping[str, Promise]
    entries: tuple[Entry, ...]
    since: datetime | None
    until: datetime | None

    def holds(self, at: datetime) -> bool:
        """Tell whether the same entries count at another instant."""
        return (self.since is None or self.since <= at) and (self.until is None or at < self.until)


class Lookout:
    """Builds moments from what the service holds, and keeps the last few by minute and ledger version."""

    def __init__(
        self,
        farm: Farm,
        profiles: Mapping[str, Profile],
        ledger: SqlLedger,
        *,
        live: LiveState,
        scales: ScaleView,
        watching_since: datetime,
        health: Callable[[datetime], Health] = lambda _now: Health(),
    ) -> None:
        """Take what it looks at; nothing is read yet."""
        self._farm, self._profiles, self._ledger = farm, profiles, ledger
        self._live, self._scales, self._since, self._health = live, scales, watching_since, health
        self._lock = threading.Lock()
        self._last: _Folded | None = None
        self._kept: dict[tuple[int, datetime], Moment] = {}

    def tick(self, at: datetime) -> Tick:
        """Return the moment at an instant, as the whole ledger tells it."""
        folded = self._folded(at)
        return Tick(
            now=at,
            farm=self._farm,
            profiles=self._profiles,
            batches=folded.batches,
            entries=folded.entries,
            live=self._live,
            watching_since=self._since,
            scales=self._scales,
            health=self._health(at),
            promises=folded.promises,
        )

    def _folded(self, at: datetime) -> _Folded:
        """Return the ledger as it tells an instant; the last fold again, where no entry lies between the two."""
        known = self._ledger.entries()
        last = self._last
        if last is not None and last.known is known and last.holds(at):
            return last
        batches, promises = fold_as_of(known, at), promises_as_of(known, at)
        instants = sorted(entry.at for entry in known)
        place = bisect_right(instants, at)
        self._last = made = _Folded(
            known=known,
            batches=batches,
            promises=promises,
            entries=tuple(entry for entry in effective(known) if entry.at <= at),
            since=instants[place - 1] if place else None,
            until=instants[place] if place < len(instants) else None,
        )
        return made

    def moment(self, at: datetime) -> Moment:
        """Return an instant with its open tasks; one that was asked for in the same minute is not worked out again.

        What the ledger says is never older than the call; scales and sensors are at most a minute old in it.
        """
        version = self._ledger.version()
        key = (version, at.replace(second=0, microsecond=0))
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None:
                return kept
            tick = self.tick(at)
            made = Moment(tick=tick, tasks=open_tasks(tick), version=version)
            self._kept[key] = made
            while len(self._kept) > _KEPT:
                self._kept.pop(next(iter(self._kept)))
            return made
