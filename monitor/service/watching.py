"""A watcher: it judges and tells of some rooms, beside collectors that store the readings and other watchers.

The same parts as in the whole service, over what all share: an InfluxDB and a ledger in PostgreSQL. Which rooms are
its own is said by leases in the ledger database; it stands by for those that another watcher has.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TextIO

from alerts.advisor import Advisor
from alerts.alarms_sql import SqlAlarms
from alerts.channels import open_channels
from alerts.findings import Tick
from alerts.outbox_sql import SqlOutbox
from alerts.ward import NOWHERE, rooms_of
from alerts.watch import RoomWatch
from collectors.publishing import Publisher
from monitor.clock import Clock, system_clock
from monitor.errors import LeaseLostError, NotFoundError, StoreError
from monitor.farm import Farm
from monitor.following import Follower
from monitor.health import Health
from monitor.live import LiveBuffer
from monitor.processes import (
    Collectors,
    holder_of,
    living_collectors,
    silent_of,
    silent_watchers,
    watcher_of,
    watchers_of,
    without_watcher,
)
from monitor.profiles import Profile
from monitor.readings import Block
from monitor.scales import Scales
from monitor.scalesetup import setups_of
from monitor.selfwatch import SelfWatch
from monitor.service.beside import Beside
from monitor.service.caretaking import Caretaker, Fence
from monitor.service.clockwork import LOOK_AGAIN, Clockwork
from monitor.service.leasekeeping import LeaseKeeper
from monitor.service.runseen import RunSeen
from monitor.service.shared import hold_name, shared_stores
from monitor.service.upkeep import copy_nightly, tell_well
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.leases import LASTS, Leases, all_leases
from monitor.stores.ledger import open_ledger
from monitor.stores.opening import open_influx
from monitor.stores.states import COLLECTOR_STATE, WATCHER_STATE, ServiceStates

if TYPE_CHECKING:
    from monitor.stores.influx import InfluxReadingStore

log = logging.getLogger(__name__)


def rooms_wanted(farm: Farm, said: Collection[str]) -> frozenset[str]:
    """Return the rooms that a watcher was told to watch; none said: all of the farm.

    Raises:
        NotFoundError: farm.toml has no such room.
    """
    rooms = rooms_of(farm)
    unknown = [each for each in said if each not in rooms]
    if unknown:
        raise NotFoundError(f"no room {', '.join(map(repr, unknown))} in farm.toml; there are: {', '.join(rooms)}")
    return frozenset(said or rooms)


class _Read:
    """The shared store; each question that it answered is a sign that judging does not hang."""

    def __init__(self, store: InfluxReadingStore, lives: Callable[[], None]) -> None:
        """Take the store, and whom to tell."""
        self._store, self._lives = store, lives

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        block = self._store.read(sensors, start, end)
        self._lives()
        return block

    def append_flags(self, block: Block) -> None:
        """Write flag and doubt of readings that are there."""
        self._store.append_flags(block)


class Watching:
    """All parts of one watcher, started and stopped together."""

    def __init__(
        self,
        farm: Farm,
        profiles: Mapping[str, Profile],
        name: str,
        *,
        rooms: Collection[str] = (),
        clock: Clock = system_clock,
        console: TextIO | None = None,
        look_every: timedelta = timedelta(minutes=1),
        lasts: timedelta = LASTS,
        tell: Callable[[str], None] = lambda _words: None,
    ) -> None:
        """Open the stores and build the parts; nothing is watched yet.

        Args:
            farm: The farm.
            profiles: Crop profiles by id.
            name: By which `traywarden status` lists it.
            rooms: The rooms that it may watch; none: every one of the farm.
            clock: The present instant.
            console: Where a console channel prints; None: standard output.
            look_every: How often the rooms are judged.
            lasts: How long a lease holds that is not renewed.
            tell: Told in words which rooms it has, and which it stands by for, when that changes.

        Raises:
            RefusedError: The farm shares nothing, or a watcher of this name runs on this machine.
            NotFoundError: farm.toml has no such room.
            StoreError: A store cannot be opened.
        """
        influx, postgres = shared_stores(farm, "watch")
        self.wanted = rooms_wanted(farm, rooms) | {NOWHERE}
        self.farm, self.name, self.clock, self._tell = farm, name, clock, tell
        self.started_at = clock()
        with ExitStack() as opened:  # what a later step that fails must not leave behind
            self._name_held = opened.enter_context(hold_name(farm.storage.folder, "watcher", name))
            self.ledger = open_ledger(farm.storage.folder, postgres)
            opened.callback(self.ledger.close)
            self.store = opened.enter_context(closing(open_influx(farm, influx, patient=True)))
            self.live, self.scales = LiveBuffer(), Scales(farm.sensors)
            self._entries_read = -1
            self._publisher = Publisher(farm.broker)
            self._self_watch = SelfWatch(farm.storage.folder)
            self._states = ServiceStates(self.ledger.engine)
            self._run_seen = RunSeen(self._states, clock)
            self.leases = Leases(self.ledger.engine, holder_of(name, uuid.uuid4().hex[:8]), lasts=lasts)
            fence = Fence(self.leases)
            self.outbox = SqlOutbox(self.ledger.engine, guard=fence)
            self.watch = RoomWatch(SqlAlarms(self.ledger.engine), every=look_every)
            self._beside = Beside(
                farm, read=self.store.read, active=self.watch.active, moment=self._moment, clock=clock
            )
            self.advisor = Advisor(
                farm,
                profiles,
                self.ledger,
                self.outbox,
                live=self.live,
                scales=self.scales,
                watch=self.watch,
                channels=open_channels(
                    farm, publish=self._publisher.publish, console=console, picture=self._beside.picture
                ),
                watching_since=self.started_at,
                health=self.health,
                links=self._beside.links,
            )
            self._keeper = LeaseKeeper(self.leases, self._wanted_now, on_change=self._look_at_once)
            self.caretaker = Caretaker(
                farm, self.leases, fence, self.advisor, self._states,
                own=self._follower(judges=True),
                beside=self._follower(judges=False),  # who has the room flags its readings
                run_watched=self._run_seen.watched,
            )  # fmt: skip
            opened.pop_all()
        self._clockwork = Clockwork(clock, self._wake)
        self._running = threading.Lock()
        self._looked: tuple[float, Health, Collectors | None] | None = None
        self._said: object = None

    def _follower(self, *, judges: bool) -> Follower:
        """Return what follows the readings of rooms."""
        return Follower(
            self.farm,
            _Read(self.store, self._lives),
            SqlArrivals(self.ledger.engine),
            live=self.live,
            scales=self.scales,
            take=self._take,
            judges=judges,
        )

    def _take(self, block: Block) -> None:
        """Take in readings that are new."""
        self.live.take(block)
        self.scales.take(block)

    def _lives(self) -> None:
        """Note that judging goes on."""
        self._keeper.lives()

    def _moment(self, now: datetime) -> Tick:
        """Return the moment with all that may be looked at."""
        return self.advisor.moment(now)

    def _look_at_once(self) -> None:
        """Have the clockwork look now."""
        self._clockwork.at_once()

    def _wanted_now(self) -> frozenset[str]:
        """Return what is wanted now: nothing while one process watches the whole farm, else both would nudge."""
        return frozenset() if self._run_seen.is_alive() else self.wanted

    # -- running --------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Take what is free, judge it, and go on until stop()."""
        self._clockwork.start()
        if self.farm.ping is not None:
            self._clockwork.also(self._tell_well, self.farm.ping.every)
        self._keeper.step()
        self._keeper.start()
        self._clockwork.wake()

    def _wake(self, now: datetime) -> datetime:
        """Judge, tell and send what is due in the rooms that are held; return when to be woken next."""
        with self._running:
            return self._look(now)

    def _look(self, now: datetime) -> datetime:
        """Do it, one call at a time."""
        self._keeper.lives()
        self._self_watch.note_clock(now)
        self._read_set_ups()
        self.caretaker.settle(now)
        self._note(now)
        again_at = now + LOOK_AGAIN
        if not self.caretaker.rooms:
            return again_at
        try:
            self.caretaker.read(now)
            again_at = min(again_at, self.advisor.run_due(now))
            if NOWHERE in self.caretaker.rooms:
                copy_nightly(self.farm, self.ledger, self.outbox, now)
        except LeaseLostError as exc:
            log.warning("lease.lost why=%s", exc)
            self._keeper.step()
        return again_at

    def _read_set_ups(self) -> None:
        """Take over the set-ups of scales, where the ledger has grown."""
        version = self.ledger.version()
        if version != self._entries_read:
            self.scales.set_up(setups_of(self.ledger.entries(), self.farm.sensors))
            self._entries_read = version

    # -- how it is ------------------------------------------------------------------------------------------

    def health(self, now: datetime) -> Health:
        """Return how this watcher and the processes beside it are; those are asked anew every few seconds."""
        running_s = time.monotonic()
        if self._looked is None or running_s - self._looked[0] >= LOOK_AGAIN.total_seconds() / 2:
            try:
                collectors = self._states.beginning(COLLECTOR_STATE)
                self._looked = (running_s, self._others(collectors, now), living_collectors(collectors, now))
            except StoreError as exc:
                log.warning("processes.not_seen why=%s", exc)
        if self._looked is None:
            return self._self_watch.look(now, None)
        _, seen, living = self._looked
        own = self._self_watch.look(now, living)
        return replace(
            own,
            silent_collectors=seen.silent_collectors,
            collectors=seen.collectors,
            silent_watchers=seen.silent_watchers,
            unwatched=seen.unwatched,
        )

    def _others(self, collectors: Mapping[str, Any], now: datetime) -> Health:
        """Return how the processes beside this one are."""
        watchers = watchers_of(self._states.beginning(WATCHER_STATE), now)
        until = {each.name: each.until for each in all_leases(self.ledger.engine)}
        run = self._run_seen.watched()
        since = self.started_at if run is None else max(self.started_at, run[1])
        return Health(
            silent_collectors=silent_of(collectors, now),
            collectors=len(collectors),
            silent_watchers=tuple(each for each in silent_watchers(watchers) if each.name != self.name),
            unwatched=without_watcher(until, rooms_of(self.farm), now, since),
        )

    def _tell_well(self) -> None:
        """Send the sign that all is well; the one watcher does that has what belongs to no room."""
        if NOWHERE in self.caretaker.rooms:
            tell_well(self.farm, self.health, self.clock(), self._publisher.publish)

    def _note(self, now: datetime) -> None:
        """Write down how this watcher is, and say which rooms it has when that changed."""
        others = {each.name: each.holder for each in all_leases(self.ledger.engine) if each.is_held}
        rooms = self.caretaker.rooms
        stands_by = {name: others[name] for name in self.wanted - rooms - {NOWHERE} if name in others}
        self._states.put(WATCHER_STATE + self.name, self._state(now, rooms, stands_by), now=now)
        if (rooms, stands_by) != self._said:
            self._said = (rooms, stands_by)
            self._tell(self._words(rooms, stands_by))

    def _state(
        self, now: datetime, rooms: Collection[str], stands_by: Collection[str], *, stopped: bool = False
    ) -> dict[str, Any]:
        """Return how this watcher is, as `traywarden status` shows it."""
        return {
            "host": socket.gethostname(),
            "pid": os.getpid(),
            "started_at": self.started_at.isoformat(),
            "beat_at": now.isoformat(),
            "stopped": stopped,
            "rooms": sorted(rooms),
            "stands_by": sorted(stands_by),
        }

    def _words(self, rooms: Collection[str], stands_by: Mapping[str, str]) -> str:
        """Return which rooms this watcher has, and which it waits for."""
        if self._run_seen.is_alive():
            return "Stands by: `traywarden run` watches the whole farm; once it has ended, rooms are taken over."
        names = [self.farm.places.name(room) for room in sorted(rooms) if room != NOWHERE]
        waits = [
            f"{self.farm.places.name(room)} (watched by {watcher_of(holder)})"
            for room, holder in sorted(stands_by.items())
        ]
        words = f"Watches {', '.join(names) or 'no room'}{', and what belongs to no room' if NOWHERE in rooms else ''}."
        return f"{words} Stands by for {', '.join(waits)}." if waits else words

    def stop(self) -> None:
        """Let go of the rooms and close everything; a second call does nothing."""
        if self._name_held.closed:
            return
        self._clockwork.stop()
        self._keeper.stop()
        try:
            now = self.clock()
            self._states.put(WATCHER_STATE + self.name, self._state(now, (), (), stopped=True), now=now)
        except StoreError as exc:
            log.warning("watcher.state_not_left why=%s", exc)
        self._beside.close()
        self._publisher.close()
        self.store.close()
        self.ledger.close()
        self._name_held.close()
