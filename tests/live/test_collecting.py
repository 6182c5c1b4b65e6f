"""Collectors that share the messages of one broker: real processes, killed, brought back, retired."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from collectors.embedded_broker import free_port
from collectors.listening import listen
from monitor.errors import StoreError, StoreUnavailableError
from monitor.farm import BrokerSettings, Farm
from monitor.farmfile import load_farm
from monitor.processes import Collectors, living_collectors
from monitor.readings import Block, Flag, from_ms, to_ms
from monitor.service.collecting import Collecting
from monitor.service.watching import Watching
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.engine import open_engine, postgres_url
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.opening import open_influx
from monitor.stores.states import COLLECTOR_STATE, ServiceStates
from tests.support.farms import sensor_text
from tests.support.postgres import Postgres
from tests.support.sharedfarm import ROOM, SharedFarm, farm_head, shared_farm, wait_for

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("influx")]
_RESTS = 20
T0 = datetime(2026, 3, 2, 7, tzinfo=UTC)
SENSORS = ("air-a", "air-b", "air-c", "air-d")
TABLES = "".join(ROOM.format(room=room, shelves=3, trays=12) for room in ("north", "south")) + "".join(
    sensor_text(name, "temperature", "north" if name < "air-c" else "south") for name in SENSORS
)


@pytest.fixture
def shared() -> Iterator[SharedFarm]:
    """Run the servers."""
    with shared_farm() as running:
        yield running


class Feed:
    """Publishes readings of all sensors, minute by minute."""

    def __init__(self, shared: SharedFarm) -> None:
        """Begin at the first minute."""
        self._shared, self.minutes = shared, 0

    def publish(self, minutes: int) -> None:
        """Publish some minutes more."""
        span = range(self.minutes, self.minutes + minutes)
        for place, name in enumerate(SENSORS):
            begin_s = [at(n).timestamp() for n in span]
            lines = [
                json.dumps([{"n": name, "u": "Cel", "t": t, "v": 20 + place + k % 7 / 10}])
                for k, t in enumerate(begin_s)
            ]
            self._shared.broker.publish(f"t/{name}", lines)
        self.minutes += minutes


def at(minute: int) -> datetime:
    """Return the instant of a minute."""
    return T0 + timedelta(minutes=minute)


@contextmanager
def opened(farm: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InfluxReadingStore]:
    """Give the shared store."""
    monkeypatch.setenv("SALTCELLAR_TOKEN", "not-to-be-seen")
    loaded = load_farm(farm)
    assert loaded.storage.influx is not None
    with closing(open_influx(loaded, loaded.storage.influx)) as store:
        yield store


def stored(store: InfluxReadingStore) -> Block:
    """Return all readings."""
    return store.read(SENSORS, at(0), at(10_000))


def test_a_killed_collector_that_comes_back_delivers_its_share(
    shared: SharedFarm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two collectors each takes a part; while one is dead its part waits; afterwards every reading is there once."""
    farms = {name: shared.write(name, TABLES) for name in ("one", "two")}
    with opened(farms["one"], monkeypatch) as store:
        feed = Feed(shared)
        for name, farm in farms.items():
            shared.start(name, farm, "collect", "--name", name)
        wait_for_collectors(farms["one"], "one", "two")
        feed.publish(100)
        wait_for(lambda: len(stored(store)) == 400, "all readings of two collectors")

        shared.kill("two")
        feed.publish(100)
        before = settled(store)
        shared.start("two", farms["two"], "collect", "--name", "two")
        wait_for(lambda: len(stored(store)) == 800, "what waited for the dead one")

        assert before < 800  # a part waited with the broker
        values = stored(store)
        assert sorted(set(values.flag.tolist())) == [int(Flag.NOT_EVALUATED)]  # who watches finds out what is odd
        taken = {name: state["messages"] for name, state in states(farms["one"]).items()}
        assert set(taken) == {"one", "two"}


def test_a_collector_is_retired_with_all_that_waits_for_it(shared: SharedFarm, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command stores what the broker held for it, gives up its share, and the status knows it no longer."""
    farms = {name: shared.write(name, TABLES) for name in ("one", "two")}
    with opened(farms["one"], monkeypatch) as store:
        feed = Feed(shared)
        for name, farm in farms.items():
            shared.start(name, farm, "collect", "--name", name)
        wait_for_collectors(farms["one"], "one", "two")
        shared.kill("two")
        feed.publish(200)

        retired = shared.run(farms["two"], "collect", "--name", "two", "--retire")
        assert retired.returncode == 0, retired.stderr
        wait_for(lambda: len(stored(store)) == 800, "both shares")
        feed.publish(50)

        twice = shared.run(farms["two"], "collect", "--name", "two", "--retire")
        running = shared.run(farms["one"], "collect", "--name", "one", "--retire")
        assert "no collector 'two' is known; there are: one" in twice.stderr  # nor any that is a slip of the name
        assert "a collector named one runs on this machine already; stop it first" in running.stderr
        assert "Collector two is retired: " in retired.stdout
        assert heartbeats(shared) == ["traywarden/monitor/one"]
        wait_for(lambda: len(stored(store)) == 1000, "all of what came since, by the one that is left")
        assert set(states(farms["one"])) == {"one"}


def test_readings_are_stored_while_the_ledger_is_away(shared: SharedFarm, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be told of meanwhile is told once it is back, so that who follows misses nothing."""
    farm = shared.write("one", TABLES)
    with opened(farm, monkeypatch) as store:
        feed = Feed(shared)
        shared.start("one", farm, "collect", "--name", "one")
        wait_for_collectors(farm, "one")
        shared.postgres.kill()

        feed.publish(100)
        wait_for(lambda: len(stored(store)) == 400, "all readings without a ledger")
        shared.postgres.start()
        feed.publish(1)
        wait_for(lambda: len(stored(store)) == 404, "the last ones")
        wait_for(lambda: told(farm) >= {("north", minute) for minute in range(101)}, "all of it told")


def heartbeats(shared: SharedFarm) -> list[str]:
    """Return the topics of heartbeats that the broker has kept."""
    settings = BrokerSettings(embedded=False, port=shared.broker.port)
    heard = listen(settings, within=timedelta(seconds=0.3))
    return sorted(topic for topic, said in heard.payloads.items() if said and topic.startswith("traywarden/monitor"))


def test_one_that_reads_a_modbus_line_alone_needs_no_broker(shared: SharedFarm) -> None:
    """It runs, is well, and can be retired at once: the broker never had a share for it."""
    line = '[[modbus]]\nid = "bus"\nhost = "127.0.0.1"\nport = 9\n'
    line += '[[sensor]]\nid = "probe"\nquantity = "temperature"\nspot = "north"\n'
    line += '[[register]]\nsensor = "probe"\nline = "bus"\ndevice = 1\naddress = 0\ntype = "float32"\n'
    farm = shared.write("one", ROOM.format(room="north", shelves=3, trays=12) + line)
    shared.start("one", farm, "collect", "--name", "one", "--line", "bus")
    wait_for(lambda: "one" in states(farm), "its first sign of life")
    runs = json.loads(shared.run(farm, "status", "--json").stdout)["collectors"]
    shared.stop("one")
    retired = shared.run(farm, "collect", "--name", "one", "--retire", "--within", "5")

    assert [(each["running"], each["listens"], each["trouble"]) for each in runs] == [(True, False, None)]
    assert [each["name"] for each in runs[0]["feeds"]] == ["bus"]
    assert "Collector one is retired" in retired.stdout, retired.stderr
    assert states(farm) == {}


def told(farm: Path) -> set[tuple[str, int]]:
    """Return the minutes of each room that arrivals cover."""
    with on_ledger(farm) as engine:
        arrivals = SqlArrivals(engine).after(0, ["north", "south"])
    minutes = [(each.room, (from_ms(each.from_ms) - T0, from_ms(each.to_ms) - T0)) for each in arrivals]
    return {
        (room, minute)
        for room, (first, last) in minutes
        for minute in range(round(first.total_seconds() / 60), round(last.total_seconds() / 60) + 1)
    }


def settled(store: InfluxReadingStore) -> int:
    """Return how many readings there are once no more come for two seconds."""
    seen: list[int] = []

    def rests() -> bool:
        seen.append(len(stored(store)))
        return len(seen) > _RESTS and len(set(seen[-_RESTS:])) == 1

    wait_for(rests, "no more readings come")
    return seen[-1]


def states(farm: Path) -> dict[str, dict[str, int]]:
    """Return what the collectors say of themselves."""
    with on_ledger(farm) as engine:
        return dict(ServiceStates(engine).beginning(COLLECTOR_STATE))


@contextmanager
def on_ledger(farm: Path) -> Iterator[Engine]:
    """Give the ledger database."""
    loaded = load_farm(farm)
    assert loaded.storage.postgres is not None
    engine = open_engine(postgres_url(loaded.storage.postgres))
    try:
        yield engine
    finally:
        engine.dispose()


def wait_for_collectors(farm: Path, *names: str) -> None:
    """Wait until collectors are connected: a share begins with the subscription."""
    for name in names:
        wait_for(lambda name=name: bool(states(farm).get(name, {}).get("broker_connected")), f"{name} is connected")  # type: ignore[misc] # bound now


@contextmanager
def without_influx(postgres: Postgres, folder: Path, tables: str = TABLES) -> Iterator[Farm]:
    """Give a shared farm whose InfluxDB is away."""
    url = f"http://127.0.0.1:{free_port()}"
    head = farm_head(folder=folder / "data", port=free_port(), url=url, address=postgres.new_database())
    (folder / "farm.toml").write_text(head + tables, encoding="utf-8")
    yield load_farm(folder / "farm.toml")


def connections(farm: Farm) -> int:
    """Return how many connections to the ledger are open beside the one that asks."""
    assert farm.storage.postgres is not None
    engine = open_engine(postgres_url(farm.storage.postgres))
    asked = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    try:
        with engine.connect() as connection:
            return int(connection.exec_driver_sql(asked).scalar_one())
    finally:
        engine.dispose()


@pytest.mark.parametrize("kind", ["collector", "watcher"])
def test_one_that_cannot_be_built_leaves_nothing_behind(postgres: Postgres, tmp_path: Path, kind: str) -> None:
    """The token cannot be read: name, ledger and threads are free again, and the next try begins afresh."""
    with without_influx(postgres, tmp_path) as farm:
        assert farm.storage.influx is not None
        away = replace(farm.storage.influx, token_env=None, token_file=tmp_path / "none")
        broken = replace(farm, storage=replace(farm.storage, influx=away))

        def build() -> Collecting | Watching:
            return Collecting(broken, "one") if kind == "collector" else Watching(broken, {}, "one")

        before = threading.active_count()

        for _ in range(2):
            with pytest.raises(StoreError, match="the InfluxDB token file"):
                build()

        assert connections(farm) == 0
        assert threading.active_count() == before


def test_a_spool_that_cannot_be_opened_leaves_no_collector_behind(postgres: Postgres, tmp_path: Path) -> None:
    """Its file is something else: what was opened before it is let go of."""
    with without_influx(postgres, tmp_path) as farm:
        farm.storage.folder.mkdir(exist_ok=True)
        (farm.storage.folder / "spool-one.db").write_text("no database, " * 100, encoding="utf-8")
        before = threading.active_count()

        for _ in range(2):
            with pytest.raises(StoreError, match="is it a spool of Traywarden"):
                Collecting(farm, "one")

        assert connections(farm) == 0
        assert threading.active_count() == before


def test_what_a_stopped_collector_could_not_tell_before_is_told_as_it_stops(
    postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ledger was away for an hour and is back just as the collector is stopped; a second stop does nothing."""
    with without_influx(postgres, tmp_path) as farm:
        collecting = Collecting(farm, "one")
        collecting.beat()
        with monkeypatch.context() as away:
            away.setattr(SqlArrivals, "note", refuses)
            collecting.announcer.delivered(Block.from_rows(("air-a",), [(0, to_ms(T0), 20.0, 2, 0)]))

        collecting.stop()
        collecting.stop()

        assert told(tmp_path / "farm.toml") == {("north", 0)}
        assert connections(farm) == 0


def test_a_farm_without_a_broker_has_collectors_that_are_well_and_can_be_retired(
    postgres: Postgres, tmp_path: Path
) -> None:
    """Nothing of it comes over MQTT (transmitters, files): no broker is gone, and none is waited for."""
    with without_influx(postgres, tmp_path, ROOM.format(room="north", shelves=3, trays=12)) as farm:
        with closing_by_stop(Collecting(farm, "one")) as collecting:
            collecting.beat()
            known = living_collectors(states(tmp_path / "farm.toml"), collecting.clock())

        with closing_by_stop(Collecting(farm, "one", leaves=True)) as leaving:
            leaving.start()
            leaving.leave(timedelta(seconds=1))

        assert known == Collectors(is_connected=True, trouble=None)
        assert states(tmp_path / "farm.toml") == {}


@contextmanager
def closing_by_stop(collecting: Collecting) -> Iterator[Collecting]:
    """Give a collector, and stop it."""
    try:
        yield collecting
    finally:
        collecting.stop()


def refuses(*_: object, **__: object) -> None:
    """Stand for a ledger that is away."""
    raise StoreUnavailableError("away")
