"""Watchers that share the rooms of a farm: real processes on a real PostgreSQL, InfluxDB and broker; one is killed."""

from __future__ import annotations

import json
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from alerts.outbox_sql import SqlOutbox
from alerts.rounds import last_round
from monitor.arrivals import arrivals_of
from monitor.clock import system_clock
from monitor.errors import StoreUnavailableError
from monitor.farm import Farm
from monitor.farmfile import load_farm
from monitor.ledger import EntryKind, NewEntry
from monitor.places import room_of
from monitor.processes import watcher_of
from monitor.readings import Block, Reading
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.leases import all_leases
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.opening import open_influx
from monitor.stores.states import WATCHER_STATE, ServiceStates
from tests.support.farms import sensor_text
from tests.support.sharedfarm import ROOM, SharedFarm, shared_farm, wait_for

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("influx")]
TABLES = "".join(ROOM.format(room=room, shelves=3, trays=12) for room in ("north", "south")) + "".join(
    sensor_text(f"air-{room}", "temperature", room) for room in ("north", "south")
)


@dataclass
class Told:
    """Who counts what the broker hands over on the topic of the nudges."""

    port: int
    keys: list[str] = field(default_factory=list)

    @contextmanager
    def listening(self) -> Iterator[Told]:
        """Listen until left."""
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="counts", clean_session=False)
        ready = threading.Event()
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = lambda _c, _u, message: self.keys.append(json.loads(message.payload)["key"])
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        client.subscribe("told", qos=1)
        assert ready.wait(20)
        yield self
        client.disconnect()
        client.loop_stop()

    def of(self, begins: str) -> list[str]:
        """Return what was told whose key begins so."""
        return [key for key in self.keys if key.startswith(begins)]


class Rooms:
    """The shared ledger and readings, as an entry and a collector write them."""

    def __init__(self, farm: Farm, ledger: SqlLedger, store: InfluxReadingStore) -> None:
        """Take both."""
        self.farm, self.ledger, self.store = farm, ledger, store

    def sow(self) -> None:
        """Sow radish in both rooms two days before the last round, which has something to do thereby."""
        at = last_round(self.farm, system_clock()) - timedelta(days=2, hours=1)
        entries = [
            NewEntry(
                kind=EntryKind.SOWN, at=at, by="ines", batch=batch, trays=4, spot=f"{room}/1/1",
                data={"crop": "radish", "tray_kind": "1020"},
            )
            for batch, room in (("1", "north"), ("2", "south"))
        ]  # fmt: skip
        self.ledger.append(entries, recorded_at=at)

    def shows(self, room: str, value: float) -> None:
        """Store a reading a minute of the last two hours of a room."""
        now = system_clock()
        sensor = f"air-{room}"
        block = Block.from_readings(
            Reading(sensor=sensor, measured_at=now - timedelta(minutes=back), value=value)
            for back in range(120, -1, -1)
        )
        self.store.append(block)
        SqlArrivals(self.ledger.engine).note(arrivals_of(block, {sensor: room_of(room)}), now=now)

    def holders(self) -> set[str]:
        """Return who holds a lease now; nobody while the ledger cannot be asked."""
        try:
            return {watcher_of(each.holder) for each in all_leases(self.ledger.engine) if each.is_held}
        except StoreUnavailableError:
            return set()


@pytest.fixture
def shared() -> Iterator[SharedFarm]:
    """Run the servers."""
    with shared_farm() as running:
        yield running


@contextmanager
def opened(path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rooms]:
    """Give the shared ledger and readings."""
    monkeypatch.setenv("SALTCELLAR_TOKEN", "not-to-be-seen")
    farm = load_farm(path)
    assert farm.storage.influx is not None
    with (
        closing(open_ledger(farm.storage.folder, farm.storage.postgres)) as ledger,
        closing(open_influx(farm, farm.storage.influx)) as store,
    ):
        yield Rooms(farm, ledger, store)


def facts(shared: SharedFarm, farm: Path) -> dict[str, Any]:
    """Return what `traywarden status --json` says."""
    found: dict[str, Any] = json.loads(shared.run(farm, "status", "--json").stdout)
    return found


def test_a_killed_watchers_rooms_are_taken_over_and_nothing_is_told_twice(
    shared: SharedFarm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two that may watch both rooms: one does. It is killed; the other goes on, and tells what comes then."""
    farms = {name: shared.write(name, TABLES) for name in ("one", "two")}
    watcher = ("-m", "tests.support.watcher")
    with opened(farms["one"], monkeypatch) as rooms, Told(shared.broker.port).listening() as told:
        rooms.sow()
        rooms.shows("north", 4.0)
        for name, farm in farms.items():
            shared.start(name, farm, "3", str(farm), name, runs=watcher)
        wait_for(lambda: bool(told.of("round:") and told.of("alarm:too cold|north")), "the round and the cold room")
        before, held_by = list(told.keys), rooms.holders()
        shared.kill("one")
        killed_at = time.monotonic()
        wait_for(lambda: rooms.holders() == {"two"}, "the other's leases")
        rooms.shows("south", 4.0)
        wait_for(lambda: bool(told.of("alarm:too cold|south")), "what came after it")
        took_s = time.monotonic() - killed_at

        assert held_by == {"one"}
        assert took_s < 60
        assert max(Counter(told.keys).values()) == 1
        assert told.of("round:") == [key for key in before if key.startswith("round:")]
        rows = SqlOutbox(rooms.ledger.engine).rows()
        assert sorted(row.key for row in rows) == sorted(told.keys)
        assert all(row.attempts == 1 and row.sent_at is not None for row in rows)
        assert Counter(stage for row in rows for stage in row.stages).most_common(1)[0][1] == 1

        shared.start("south-only", farms["one"], "watch", "--name", "south-only", "--room", "south")
        found = facts(shared, farms["two"])
        watchers = {each["name"]: each for each in found["watchers"]}
        assert watchers["two"]["rooms"] == ["north", "south"]
        assert watchers["two"]["has_no_room"]
        assert watchers["one"]["rooms"] == []
        assert watchers["south-only"]["stands_by"] == ["south"]
        assert found["unwatched"] == []
        assert found["running"]

        assert shared.stop("two") == 0
        assert shared.stop("south-only") == 0
        assert shared.run(farms["two"], "watch", "--name", "one", "--retire").returncode == 0
        assert "there are: south-only, two" in shared.run(farms["two"], "watch", "--name", "one", "--retire").stderr
        said = shared.run(farms["two"], "status")
        assert said.returncode == 1
        assert "NOBODY WATCHES north" in said.stdout
        assert "start one: traywarden watch" in said.stderr


def test_one_that_sleeps_past_its_lease_and_a_ledger_that_goes_away_tell_nothing_twice(
    shared: SharedFarm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The holder is stopped in its tracks and wakes when another has its rooms; then the ledger's server is killed."""
    farms = {name: shared.write(name, TABLES) for name in ("one", "two")}
    with opened(farms["one"], monkeypatch) as rooms, Told(shared.broker.port).listening() as told:
        rooms.sow()
        rooms.shows("north", 4.0)
        for name, farm in farms.items():
            shared.start(name, farm, "2", str(farm), name, runs=("-m", "tests.support.watcher"))
        wait_for(lambda: bool(told.of("round:") and told.of("alarm:too cold|north")), "the round and the cold room")
        shared.running["one"].send_signal(signal.SIGSTOP)
        wait_for(lambda: rooms.holders() == {"two"}, "the other's leases")
        shared.running["one"].send_signal(signal.SIGCONT)
        wait_for(lambda: stands_by(rooms, "one") == ["north", "south"], "the sleeper standing by")
        shared.postgres.kill()
        shared.postgres.start()
        wait_for(lambda: len(rooms.holders()) == 1, "a watcher's leases, once the ledger is back")
        rooms.shows("south", 4.0)
        wait_for(lambda: bool(told.of("alarm:too cold|south")), "what came after all that")
        for name in farms:
            assert shared.stop(name) == 0

        assert max(Counter(told.keys).values()) == 1
        assert len(told.of("round:")) == 1
        assert len(told.of("alarm:too cold")) == 2


def stands_by(rooms: Rooms, name: str) -> list[str]:
    """Return the rooms that a watcher says it stands by for."""
    state = ServiceStates(rooms.ledger.engine).of(WATCHER_STATE + name)
    return [] if state is None else list(state["stands_by"])
