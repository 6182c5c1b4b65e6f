"""The rooms in one watcher's care as its leases come and go: what is judged and read, since when it was watched."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Protocol

from sqlalchemy import Connection

from alerts.advisor import Advisor
from alerts.news import unwatched_news
from alerts.ward import NOWHERE, Ward, rooms_of
from monitor.errors import StoreError
from monitor.farm import Farm
from monitor.places import room_of
from monitor.stores.leases import Lease, Leases
from monitor.stores.states import ServiceStates

log = logging.getLogger(__name__)

NO_GAP = timedelta(minutes=2)
"""A room that was free for no longer was watched all the time: its sensors' silence goes on counting. Ours."""
TOLD_FROM = timedelta(minutes=15)
"""That nobody watched a room for so long is told with its next round."""
_SINCE_STATE = "watched since "
_FLAGS_LAG = timedelta(minutes=2)
"""So long before its lease ran out who had it last may have flagged its last reading. Ours."""


class Reader(Protocol):
    """What brings the readings of rooms in."""

    @property
    def rooms(self) -> frozenset[str]:
        """Return the rooms that are followed."""
        ...

    def gain(self, room: str, now: datetime, *, judged_until: datetime | None = None) -> None:
        """Read a room's last weeks back from the store, and follow it from here on.

        Raises:
            StoreError: They cannot be read; the room is not followed, and may be gained again.
        """
        ...

    def lose(self, room: str) -> None:
        """Follow a room no longer, and let go of what was held of it."""
        ...

    def step(self, now: datetime) -> int:
        """Take in what has arrived since the last call; return how many readings were new.

        Raises:
            StoreError: It cannot be read now; nothing is missed by calling again.
        """
        ...


class Fence:
    """Refuses every write of messages and alarms unless the leases hold by which they were judged."""

    def __init__(self, leases: Leases) -> None:
        """Take the leases; nothing is judged yet."""
        self._leases = leases
        self.judged: Mapping[str, Lease] = {}
        """The leases by which rooms are judged now."""

    def __call__(self, connection: Connection) -> None:
        """Look at the leases in a transaction that holds the write lock.

        Raises:
            LeaseLostError: One is not held any more.
        """
        self._leases.check(connection, self.judged.values())


class Caretaker:
    """Gives an advisor the rooms that are held, and their readings, before it judges."""

    def __init__(
        self,
        farm: Farm,
        leases: Leases,
        fence: Fence,
        advisor: Advisor,
        notes: ServiceStates,
        *,
        own: Reader,
        beside: Reader,
        run_watched: Callable[[], tuple[datetime, datetime] | None] = lambda: None,
    ) -> None:
        """Take the parts.

        Args:
            farm: The farm.
            leases: This process's.
            fence: Stands before what the advisor writes.
            advisor: Judges and tells.
            notes: Where it is noted since when a room has been watched.
            own: Brings the readings of rooms in this one's care.
            beside: Brings those of other rooms that are reckoned with.
            run_watched: From when to when one process last watched the whole farm; None: never.
        """
        self._farm, self._leases, self._fence, self._advisor, self._notes = farm, leases, fence, advisor, notes
        self._own, self._beside = own, beside
        self._run_watched = run_watched
        self._known = frozenset(rooms_of(farm))
        self._since: dict[str, datetime] = {}
        self._judged_until: dict[str, datetime | None] = {}

    @property
    def rooms(self) -> frozenset[str]:
        """Return what is in this process's care, ``NOWHERE`` too."""
        return frozenset(self._fence.judged)

    @property
    def reads(self) -> frozenset[str]:
        """Return the rooms whose readings are brought in, judged or not."""
        return self._own.rooms | self._beside.rooms

    def settle(self, now: datetime) -> bool:
        """Let what is judged follow what is held; tell whether that changed."""
        held = dict(self._leases.held())
        judged = self._fence.judged
        gained = [lease for name, lease in held.items() if judged.get(name) != lease]
        lost = [name for name, lease in judged.items() if held.get(name) != lease]
        if not gained and not lost:
            return False
        for name in lost:
            self._since.pop(name, None)
            if name in self._own.rooms:
                self._own.lose(name)
        kept = frozenset(judged) - frozenset(lost)
        self._fence.judged = {name: lease for name, lease in held.items() if name in kept}
        self._advisor.take_ward(Ward(rooms=kept, known=self._known), self._since)
        for lease in gained:
            self._since[lease.name] = self._watched_since(lease, now)
        self._fence.judged = held
        self._advisor.take_ward(Ward(rooms=frozenset(held), known=self._known), self._since)
        for lease in gained:
            self._tell_gap(lease, now)
        log.info("rooms.held %s gained=%s lost=%s", sorted(held), [each.name for each in gained], lost)
        return True

    def _watched_since(self, lease: Lease, now: datetime) -> datetime:
        """Return since when a room that was just taken has been watched without a gap, and note it."""
        name = _SINCE_STATE + (f"room {lease.name}" if lease.name else "no room")
        before = self._notes.of(name)
        run = self._run_watched()
        since, self._judged_until[lease.name] = now, None
        if lease.free_since is not None and lease.taken_at - lease.free_since <= NO_GAP and before is not None:
            since = min(datetime.fromisoformat(before), now)
            self._judged_until[lease.name] = lease.free_since - self._leases.lasts - _FLAGS_LAG
        elif run is not None and now - run[1] <= NO_GAP + timedelta(minutes=1):
            since = min(run[0], now)
            self._judged_until[lease.name] = run[1] - _FLAGS_LAG
        self._notes.put(name, since.isoformat(), now=now)
        return since

    def _tell_gap(self, lease: Lease, now: datetime) -> None:
        """Have a room's next round tell that nobody had watched it for a while."""
        run = self._run_watched()
        ends = [at for at in (lease.free_since, run[1] if run is not None else None) if at is not None]
        has_sensors = any(room_of(sensor.spot) == lease.name for sensor in self._farm.sensors.values())
        if ends and has_sensors and now - max(ends) >= TOLD_FROM:
            self._advisor.keep_news(unwatched_news(lease.name, max(ends), now, self._farm), now)

    def read(self, now: datetime) -> None:
        """Bring in the readings of the rooms that are judged or reckoned with; what cannot be read is asked again.

        A store that does not answer keeps nobody from being told what is due.
        """
        mine = self.rooms - {NOWHERE}
        others = self._advisor.rooms_read(now) - mine if self.rooms else frozenset()
        for reader, wanted in ((self._beside, others), (self._own, mine)):
            for room in sorted(reader.rooms - wanted):
                reader.lose(room)
        try:
            for room in sorted(mine - self._own.rooms):
                self._own.gain(room, now, judged_until=self._judged_until.get(room))
            for room in sorted(others - self._beside.rooms):
                self._beside.gain(room, now, judged_until=now)
            self._own.step(now)
            self._beside.step(now)
        except StoreError as exc:
            log.warning("store.not_read why=%s", exc)
