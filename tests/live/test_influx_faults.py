"""A real InfluxDB that is stopped, killed, slow, or says no: afterwards every reading is there, once."""

from __future__ import annotations

import json
import logging
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import make_url

from collectors.embedded_broker import free_port
from collectors.pipeline import Message
from monitor.clock import system_clock
from monitor.errors import StoreUnavailableError
from monitor.farm import InfluxSettings
from monitor.farmfile import load_farm
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Quantity, Reading
from monitor.service import Service
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.engine import open_engine
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.opening import open_influx, open_readings, quarantine_store
from monitor.stores.sender import Sender
from monitor.stores.spool import Spool
from monitor.stores.spooled import SpooledReadingStore
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text
from tests.support.influx import Fault, InfluxServer, wait_until
from tests.support.needs import require_binary
from tests.support.postgres import Postgres

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("influx")]
T0 = datetime(2026, 3, 2, 7, tzinfo=UTC)
WHERE = {"air": (Quantity.TEMPERATURE, "cellar"), "damp": (Quantity.HUMIDITY, "cellar/1/2")}
TOKEN = "saltcellar-token-not-to-be-seen"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    """Run one server for these tests."""
    running = InfluxServer(require_binary("influxd"), tmp_path_factory.mktemp("influx"))
    yield running
    running.close()


class Way:
    """A spool, a sender that is stepped by hand, and the server."""

    def __init__(self, server: InfluxServer, folder: Path, database: str) -> None:
        """Make a database of its own."""
        self.database = server
        server.faults.clear()
        server.written.clear()
        server.make(database)
        settings = InfluxSettings(url=server.url, database=database)
        self.store = InfluxReadingStore(settings, TOKEN, WHERE, patience=timedelta(seconds=1))
        self.spool = Spool(folder / "spool.db", most_bytes=10**8)
        self.aside: list[tuple[bytes, str]] = []
        self.sender = Sender(
            self.spool,
            self.store,
            folder / "lock",
            clock=lambda: T0,
            quarantine=lambda _at, _topic, row, why: self.aside.append((row, why)),
        )
        self.simulated_s = 0.0

    def put(self, minute: float, count: int = 1) -> None:
        """Put readings of some minutes into the spool."""
        self.spool.put(readings(minute, count))

    def steps(self, until_s: float) -> int:
        """Let the sender try until so much simulated time has passed, or nothing waits; return how often it tried."""
        tries = 0
        while self.simulated_s < until_s:
            wait_s = self.sender.step()
            if wait_s is None:
                break
            tries += 1
            self.simulated_s += wait_s
        return tries

    def close(self) -> None:
        """Let go."""
        self.sender.stop()
        self.spool.close()
        self.store.close()


def readings(minute: float, count: int = 1) -> Block:
    """Return readings a minute apart, each with a value of its own."""
    return Block.from_readings(
        Reading(sensor="air", measured_at=T0 + timedelta(minutes=minute + n), value=20.0 + (minute + n) / 1000)
        for n in range(count)
    )


def stored(store: InfluxReadingStore) -> Block:
    """Return all of the thermometer."""
    return store.read(["air"], T0 - timedelta(days=400), T0 + timedelta(days=400))


def assert_each_once(store: InfluxReadingStore, count: int) -> None:
    """Check that the first so many minutes are there, with their own values."""
    assert stored(store).readings() == readings(0, count).readings()
    assert store.count() == count


@pytest.fixture
def way(server: InfluxServer, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Way]:
    """Return a way to the server with a database of its own."""
    made = Way(server, tmp_path, f"db{abs(hash(request.node.name)) % 10**8}")
    yield made
    made.close()


def test_an_hour_without_the_server_loses_nothing(way: Way) -> None:
    """Sixty minutes of simulated time, a reading each; it is asked ever less often, and all of it goes in at last."""
    way.database.stop()
    tries = 0
    for minute in range(60):
        way.put(minute)
        tries += way.steps(60 * (minute + 1))
    waiting, trouble = way.spool.waiting(), way.sender.trouble
    way.database.start()
    way.steps(way.simulated_s + 3600)

    assert 60 <= tries < 90
    assert waiting == 60
    assert trouble is not None
    assert "it does not answer" in trouble
    assert way.sender.trouble is None
    assert_each_once(way.store, 60)


def test_a_server_killed_in_the_middle_has_each_reading_once(server: InfluxServer, tmp_path: Path) -> None:
    """40,000 readings on their way, the server killed twice and started again."""
    server.faults.clear()
    server.written.clear()
    server.make("killed")
    settings = InfluxSettings(url=server.url, database="killed")
    store = SpooledReadingStore(InfluxReadingStore(settings, "", WHERE), tmp_path, most_bytes=10**8)
    for begin in range(0, 40_000, 500):
        store.append(readings(begin, 500))
        if begin in (10_000, 25_000):
            written = len(server.written)
            wait_until(lambda before=written: len(server.written) > before or store.spool.is_empty())
            server.kill()
            server.start()
    wait_until(store.spool.is_empty, 60)
    count, kept = store.count(), stored(store.server)
    store.close()

    assert count == 40_000
    assert kept.value.tolist() == readings(0, 40_000).value.tolist()


def test_500_and_429_are_tried_again_when_the_server_says(way: Way) -> None:
    """Retry-After in seconds, and as a date; nothing is lost or doubled."""
    date = {"Date": "Mon, 02 Mar 2026 07:00:00 GMT", "Retry-After": "Mon, 02 Mar 2026 07:03:00 GMT"}
    way.database.faults += [Fault(500), Fault(429, {"Retry-After": "120"}), Fault(503, date), Fault(503)]
    way.put(0, 10)
    waits = [way.sender.step() for _ in range(5)]

    assert waits[0] is not None
    assert 0.3 < waits[0] < 1
    assert waits[1:3] == [120, 180]
    assert (waits[4], way.aside) == (0, [])
    assert_each_once(way.store, 10)


def test_an_answer_that_never_comes_doubles_nothing(way: Way) -> None:
    """It was written, but we hung up before the server said so: the same rows again are the same rows."""
    let_go = threading.Event()
    way.database.faults.append(Fault(swallow=let_go))
    way.put(0, 200)
    first = way.sender.step()
    trouble = way.sender.trouble
    let_go.set()
    way.steps(way.simulated_s + 600)

    assert first is not None
    assert first > 0
    assert trouble is not None
    assert "ReadTimeoutError" in trouble
    assert sum(way.database.written) >= 400
    assert_each_once(way.store, 200)


def test_a_bad_row_is_set_aside_with_the_servers_words_and_the_rest_is_there(way: Way) -> None:
    """One row in a thousand that the server cannot read; found by halving, named in its own words."""
    good = readings(0, 1000)
    value = good.value.copy()
    value[617] = float("inf")  # the pipeline never lets it so far
    from dataclasses import replace

    way.spool.put(replace(good, value=value))
    way.steps(10)
    kept = stored(way.store)

    assert len(kept) == 999
    assert way.store.count() == 999
    assert [row for row, _ in way.spool.refused()] == [
        f"temperature,sensor=air,spot=cellar value=inf,flag=2i,doubt=0i {good.measured_at_ms[617]}"
    ]
    assert "unable to parse" in way.aside[0][1]


def test_rows_that_conflict_with_what_is_there_are_set_aside(way: Way) -> None:
    """Somebody else wrote whole numbers into one week; that week's rows are kept in the spool, the others stored."""
    url = f"{way.database.url}/api/v2/write?bucket={way.store._settings.database}/autogen&precision=ms"
    other = f"temperature,sensor=x,spot=y value=1i {readings(0).measured_at_ms[0]}"
    urllib.request.urlopen(url, data=other.encode(), timeout=10).close()
    way.put(0, 20)
    way.put(60 * 24 * 14, 20)
    way.steps(10)

    assert len(stored(way.store)) == 20
    assert way.spool.refused_count() == 20
    assert {"field type conflict" in why for _, why in way.aside} == {True}


def test_the_token_is_sent_and_never_shown(way: Way, caplog: pytest.LogCaptureFixture) -> None:
    """Not in what is logged at any level, nor in an error, nor in what the store says of itself."""
    caplog.set_level(logging.DEBUG)
    way.database.faults += [Fault(500), Fault(401)]
    way.put(0)
    for _ in range(2):
        way.sender.step()
    told = f"{caplog.text} {way.sender.trouble} {way.store!r} {way.sender!r}"
    client = way.store._client.api_client

    assert client.default_headers["Authorization"] == f"Token {TOKEN}"
    assert "the token is refused (401)" in told
    assert TOKEN not in told
    assert way.spool.waiting() == 1  # a token that is to be mended costs no reading


def test_a_monitor_that_starts_while_the_server_is_away_stores_all_the_same(
    server: InfluxServer, tmp_path: Path
) -> None:
    """Readings wait in the spool; what is asked of the server says that it does not answer."""
    server.make("later")
    server.faults.clear()
    server.stop()
    settings = InfluxSettings(url=server.url, database="later")
    store = SpooledReadingStore(
        InfluxReadingStore(settings, "", WHERE, patient=True), tmp_path, most_bytes=10**8, clock=system_clock
    )
    store.append(readings(0, 3))
    with pytest.raises(StoreUnavailableError, match="does not answer"):
        store.read(["air"], T0, T0 + timedelta(days=1))
    server.start()
    wait_until(store.spool.is_empty, 60)
    kept = stored(store.server).readings()
    store.close()

    assert kept == readings(0, 3).readings()


def test_what_waits_is_read_with_what_is_there(way: Way) -> None:
    """A correction that has not reached the server yet is what a reader sees."""
    way.put(0, 3)
    way.steps(10)
    way.spool.put(Block.from_readings([Reading(sensor="air", measured_at=T0, value=99.0)]))
    store = SpooledReadingStore.__new__(SpooledReadingStore)  # without a thread that would send it
    store.server, store.spool = way.store, way.spool

    values = [row.value for row in store.read(["air"], T0, T0 + timedelta(hours=1)).readings()]
    assert values == [99.0, 20.001, 20.002]
    assert store.sensors() == ("air",)


def test_clean_batches_go_into_another_engine_that_speaks_the_same(tmp_path: Path) -> None:
    """Debian's victoria-metrics takes them over /api/v2/write, value for value."""
    import subprocess

    port = free_port()
    words = [require_binary("victoria-metrics"), f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={tmp_path}"]
    running = subprocess.Popen([*words, "-retentionPeriod=100y"], stderr=subprocess.DEVNULL)
    try:
        url = f"http://127.0.0.1:{port}"
        wait_until(lambda: urllib.request.urlopen(f"{url}/health", timeout=5).read() == b"OK")
        store = InfluxReadingStore.of_writes_only(InfluxSettings(url=url, database="saltcellar"), TOKEN, WHERE)
        store.append(readings(0, 500))
        store.close()
        urllib.request.urlopen(f"{url}/internal/force_flush", timeout=10).close()
        query = "match[]=%7B__name__%3D%22temperature_value%22%7D"
        with urllib.request.urlopen(f"{url}/api/v1/export?{query}", timeout=10) as answer:
            (line,) = answer.read().splitlines()
    finally:
        running.terminate()
        running.wait(20)
    series = json.loads(line)

    assert series["values"] == readings(0, 500).value.tolist()
    assert series["timestamps"] == readings(0, 500).measured_at_ms.tolist()
    assert series["metric"]["sensor"] == "air"


FARM = """
{sensor}
[storage.influx]
url = "{url}"
database = "{database}"
"""


def written(folder: Path, url: str, database: str) -> Path:
    """Write the farm of one thermometer, and return its file."""
    sensor = sensor_text("air", "temperature", "cellar")
    more = FARM.format(sensor=sensor, url=url, database=database)
    (folder / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
    return folder / "farm.toml"


def test_the_service_goes_on_without_the_server(tmp_path: Path) -> None:
    """It starts, takes readings in, tells what is due, and its status says what waits and why."""
    farm = load_farm(written(tmp_path, f"http://127.0.0.1:{free_port()}", "saltcellar"))
    service = Service(farm, shipped_profiles(), clock=lambda: T0)
    service.intake.take([Message("t/air", b"21.5", T0)])
    service.run_due(T0)
    status, live = service.status(T0), service.live.latest("air")
    service.stop()

    assert status["store"]["waiting"] == 1
    assert live is not None
    assert live.value == 21.5


def _at(reading: Reading) -> datetime:
    return reading.measured_at


def test_migrate_copies_either_way_and_counts(server: InfluxServer, tmp_path: Path) -> None:
    """From the file into the server, what was put right of it too, then into an empty file: the same readings."""
    server.faults.clear()
    server.make("migrated")
    path = written(tmp_path, server.url, "migrated")
    sqlite = tmp_path / "data" / "readings.db"
    given = Block.concat([readings(0, 3000), readings(60 * 24 * 40, 500)])
    store = SqliteReadingStore(sqlite)
    store.append(given)
    store.close()
    there = json.loads(call(path, "migrate", "influx", "--json").out)
    with closing(SqliteReadingStore(sqlite)) as store:
        late = [replace(readings(7).readings()[0], value=-1.0), *readings(9.5).readings()]
        store.append(Block.from_readings(late))
    again = call(path, "migrate", "influx")
    given = Block.from_readings(sorted([*given.readings()[:7], *given.readings()[8:], *late], key=_at))
    sqlite.unlink()
    (tmp_path / "data" / "migrate.json").unlink()
    back = call(path, "migrate", "sqlite")
    store = SqliteReadingStore(sqlite)
    kept = store.read(["air"], T0, T0 + timedelta(days=100)).readings()
    store.close()

    assert (there["copied"], there["found"], there["target_readings"]) == (3500, 3500, 3500)
    assert "502 readings copied from April 2026 on" in again.out
    assert "2 of them came in late, or were corrected, after their month was copied" in again.out
    assert "3501 readings copied from March 2026 on" in back.out
    assert kept == given.readings()


def test_migrate_without_a_server_in_farm_toml_says_so(tmp_path: Path) -> None:
    """It does not know where to."""
    (tmp_path / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")

    assert "no [storage.influx]" in str(call(tmp_path / "farm.toml", "migrate", "influx").refused)


def test_rows_that_were_refused_go_in_once_the_server_takes_them(server: InfluxServer, tmp_path: Path) -> None:
    """Somebody else's whole numbers were in the way, and are gone: `unread --again` sends the rows once more."""
    server.make("mended")
    server.faults.clear()
    path = written(tmp_path, server.url, "mended")
    url = f"{server.url}/api/v2/write?bucket=mended/autogen&precision=ms"
    other = f"temperature,sensor=x,spot=y value=1i {readings(0).measured_at_ms[0]}"
    urllib.request.urlopen(url, data=other.encode(), timeout=10).close()
    farm = load_farm(path)
    with closing(quarantine_store(farm)) as aside, closing(open_readings(farm, quarantine=aside.quarantine)) as store:
        store.append(readings(0, 20))
        assert isinstance(store, SpooledReadingStore)
        wait_until(lambda: store.spool.refused_count() == 20)
    told = json.loads(call(path, "unread", "--json").out)
    still = json.loads(call(path, "unread", "--again", "--json").out)
    server.ask("DROP MEASUREMENT temperature", "mended")
    mended = json.loads(call(path, "unread", "--again", "--json").out)
    with closing(open_influx(farm, InfluxSettings(url=server.url, database="mended"))) as kept:
        found = stored(kept).readings()

    assert (told["refused_count"], [each["count"] for each in told["alike"]]) == (20, [20])
    assert "field type conflict" in told["alike"][0]["why"]
    assert still["again"]["still_unread"] == 20
    assert mended["again"] == {"read": 20, "still_unread": 0, "readings_stored": 20, "readings_stored_before": 0}
    assert (mended["count"], mended["refused_count"]) == (0, 0)
    assert found == readings(0, 20).readings()


def test_on_a_shared_farm_rows_that_go_in_again_are_told_to_who_follows(
    server: InfluxServer, postgres: Postgres, tmp_path: Path
) -> None:
    """So are readings of a command; it leaves no connection to the ledger behind."""
    server.make("shared")
    server.faults.clear()
    path, address = written(tmp_path, server.url, "shared"), postgres.new_database()
    path.write_text(f'{path.read_text()}\n[storage.postgresql]\naddress = "{address}"\n', encoding="utf-8")
    farm = load_farm(path)
    url = f"{server.url}/api/v2/write?bucket=shared/autogen&precision=ms"
    other = f"temperature,sensor=x,spot=y value=1i {readings(0).measured_at_ms[0]}"
    urllib.request.urlopen(url, data=other.encode(), timeout=10).close()
    with closing(open_readings(farm)) as store:
        assert isinstance(store, SpooledReadingStore)
        store.append(readings(0, 20))
        wait_until(lambda: store.spool.refused_count() == 20)
    engine = open_engine(make_url(address).set(drivername="postgresql+psycopg"))
    try:
        with engine.connect() as connection:
            others = (
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            left = connection.exec_driver_sql(others).scalar_one()
        before = len(SqlArrivals(engine).after(0, ["cellar"]))
        server.ask("DROP MEASUREMENT temperature", "shared")

        assert call(path, "unread", "--again").refused is None
        told = SqlArrivals(engine).after(0, ["cellar"])[before:]
    finally:
        engine.dispose()

    assert left == 0
    first, last = (int(readings(0, 20).measured_at_ms[place]) for place in (0, -1))
    assert min(each.from_ms for each in told) == first
    assert max(each.to_ms for each in told) == last
