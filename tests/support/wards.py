"""Watchers on one ledger, without their servers: real leases, outbox and alarms, on clocks that tests move."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from alerts.advisor import Advisor
from alerts.alarms_sql import SqlAlarms
from alerts.outbox_sql import SqlOutbox
from alerts.watch import RoomWatch
from monitor.arrivals import arrivals_of
from monitor.clock import ManualClock
from monitor.farm import Farm, PostgresSettings
from monitor.fold import check_append
from monitor.following import Follower
from monitor.health import Health
from monitor.ledger import EntryKind, NewEntry
from monitor.live import LiveBuffer
from monitor.places import room_of
from monitor.readings import Block, Reading
from monitor.scales import Scales
from monitor.service.caretaking import Caretaker, Fence
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.leases import Leases
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.states import ServiceStates
from tests.support.stage import PROFILES, Remembering

LASTS = timedelta(seconds=30)
TWO_ROOMS = """
[[room]]
id = "attic"

[[rack]]
id = "a"
room = "attic"
shelves = 2
trays_per_shelf = 12
"""


def open_on(folder: Path, address: str | None) -> SqlLedger:
    """Open a ledger on a server, or (None) in a file."""
    return open_ledger(folder, None if address is None else PostgresSettings(address=address))


@dataclass
class Shared:
    """What all watchers share: the ledger, the readings, the channel that counts, and what time it is.

    Attributes:
        farm: The farm.
        folder: Where a ledger in a file is.
        address: Of a ledger on a server; None: in a file.
        clock: The clock of all, the ledger database's too.
        readings: What the shared store holds.
        channel: Who is told.
    """

    farm: Farm
    folder: Path
    address: str | None
    clock: ManualClock
    readings: list[Reading] = field(default_factory=list)
    channel: Remembering = field(default_factory=Remembering)
    opened: list[SqlLedger] = field(default_factory=list)

    def ledger(self) -> SqlLedger:
        """Open the ledger as one more process."""
        self.opened.append(open_on(self.folder, self.address))
        return self.opened[-1]

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of the shared store."""
        return Block.from_readings(
            each for each in self.readings if each.sensor in sensors and start <= each.measured_at < end
        )

    def append_flags(self, _block: Block) -> None:
        """Take what was found odd; nothing reads it back here."""

    def hears(self, sensor: str, value: float, *, minutes: int) -> None:
        """Store a reading a minute of the last minutes."""
        now = self.clock()
        fresh = [
            Reading(sensor=sensor, measured_at=now - timedelta(minutes=back), value=value)
            for back in range(minutes, -1, -1)
        ]
        self.readings += fresh
        rooms = {each.id: room_of(each.spot) for each in self.farm.sensors.values()}
        SqlArrivals(self.opened[0].engine).note(arrivals_of(Block.from_readings(fresh), rooms), now=now)

    def enter(self, kind: EntryKind, at: datetime, **more: object) -> None:
        """Write an entry down."""
        data = more.pop("data", {})
        entry = NewEntry(kind=kind, at=at, by="ines", data=data, **more)  # type: ignore[arg-type] # as the test gives it
        ledger = self.opened[0]
        ledger.append([entry], recorded_at=at, check=lambda known: check_append(known, [entry], recorded_at=at))

    def told(self) -> list[str]:
        """Return the keys of all messages that were handed over, in that order."""
        return [str(payload["key"]) for _, payload in self.channel.taken]

    def tasks_told(self) -> list[str]:
        """Return the tasks that were told to one person, one by one."""
        found: list[str] = []
        for _, payload in self.channel.taken:
            if "|ines|" in str(payload["key"]):
                tasks = payload["tasks"]
                assert isinstance(tasks, list)
                found += tasks
        return found

    def close(self) -> None:
        """Let go of everything."""
        for each in self.opened:
            each.close()


class Watcher:
    """One watcher, looked after by hand."""

    def __init__(self, shared: Shared, name: str, rooms: Collection[str], *, every: timedelta = timedelta(0)) -> None:
        """Open the ledger once more and build the parts; nothing is held yet."""
        self.shared, self.name, self.rooms = shared, name, rooms
        self.ledger = shared.ledger()
        engine, clock = self.ledger.engine, shared.clock
        self.leases = Leases(engine, name, lasts=LASTS, clock=clock, running_s=lambda: clock().timestamp())
        self.fence = Fence(self.leases)
        self.outbox = SqlOutbox(engine, guard=self.fence, claims_by=clock)
        self.watch = RoomWatch(SqlAlarms(engine), every=every)
        self.health = Health()
        live, scales = LiveBuffer(), Scales(shared.farm.sensors)
        self.advisor = Advisor(
            shared.farm, PROFILES, self.ledger, self.outbox, live=live, scales=scales, watch=self.watch,
            channels={"console": shared.channel}, watching_since=clock(), health=lambda _now: self.health,
        )  # fmt: skip

        def take(block: Block) -> None:
            live.take(block)
            scales.take(block)

        def follower(*, judges: bool) -> Follower:
            arrivals = SqlArrivals(engine)
            return Follower(shared.farm, shared, arrivals, live=live, scales=scales, take=take, judges=judges)

        self.caretaker = Caretaker(
            shared.farm, self.leases, self.fence, self.advisor, ServiceStates(engine),
            own=follower(judges=True), beside=follower(judges=False),
        )  # fmt: skip

    def renew(self) -> None:
        """Take and renew what it may."""
        self.leases.take(self.rooms)

    def look(self) -> None:
        """Judge what it holds, as it stands."""
        now = self.shared.clock()
        self.caretaker.settle(now)
        if self.caretaker.rooms:
            self.caretaker.read(now)
            self.advisor.run_due(now)

    def step(self) -> None:
        """Renew, then judge."""
        self.renew()
        self.look()


class Whole:
    """One process that does everything, on the same ledger."""

    def __init__(self, shared: Shared) -> None:
        """Open the ledger once more and build the parts."""
        self.shared = shared
        engine, clock = shared.ledger().engine, shared.clock
        live = LiveBuffer()
        live.rebuild(
            list(shared.farm.sensors),
            shared.read(list(shared.farm.sensors), clock() - timedelta(hours=50), clock() + timedelta(minutes=1)),
        )
        self.advisor = Advisor(
            shared.farm, PROFILES, shared.opened[-1], SqlOutbox(engine, claims_by=clock), live=live,
            watch=RoomWatch(SqlAlarms(engine), every=timedelta(0)), channels={"console": shared.channel},
            watching_since=clock(),
        )  # fmt: skip

    def look(self) -> None:
        """Judge the whole farm."""
        self.advisor.run_due(self.shared.clock())
