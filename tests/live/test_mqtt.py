"""Readings over a real mosquitto: nothing is lost, nothing doubled, whatever is restarted or killed."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collectors.csvfile import Tally, Wish, look_over, read_blocks
from collectors.embedded_broker import EmbeddedBroker
from collectors.listening import listen
from collectors.mqtt import MqttCollector
from collectors.pipeline import Pipeline, judge_value
from monitor.clock import system_clock
from monitor.errors import BrokerError, StoreUnavailableError
from monitor.farm import BrokerSettings, Farm
from monitor.readings import Block, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import farm, sensor_text
from tests.support.mosquitto import Mosquitto
from tests.support.needs import require_binary

pytestmark = pytest.mark.live
SOON = timedelta(seconds=30)
UCI = Path(__file__).parents[1] / "data" / "room_uci_excerpt.csv"
MORE = "\n".join(
    [
        sensor_text("air", "temperature", "cellar").replace("t/air", "office/node"),
        'record = "temperature"\n',
        sensor_text("damp", "humidity", "cellar").replace("t/damp", "office/node"),
        'record = "humidity"\n',
        sensor_text("light", "light", "cellar").replace("t/light", "office/node"),
        'record = "light"\n',
        sensor_text("plain", "temperature", "cellar/1/1"),
    ]
)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Run a broker that keeps its queue."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker").start()
    yield broker
    broker.stop()


@pytest.fixture
def office(tmp_path: Path) -> Farm:
    """Return a farm whose one node sends packs of three, and one plain thermometer."""
    return replace(farm(tmp_path, more=MORE), records_from=datetime(2010, 1, 1, tzinfo=UTC))


def settings(port: int, **more: object) -> BrokerSettings:
    """Return how to reach a test's broker."""
    return replace(BrokerSettings(embedded=False, port=port, client_id="monitor-under-test"), **more)  # type: ignore[arg-type] # a test's shorthand


class Listener:
    """A pipeline, a store and a collector on one broker."""

    def __init__(self, office: Farm, folder: Path, broker: BrokerSettings, *, v5: bool = True) -> None:
        """Build and start them."""
        self.store = SqliteReadingStore(folder / "readings.db")
        self.pipeline = Pipeline(office, quarantine=self.store.quarantine, latest=self.store.latest)
        self.collector = MqttCollector(broker, self.pipeline, self.store, clock=system_clock, speaks_v5=v5)
        self.collector.start()
        assert self.collector.wait_for(lambda: self.collector.is_connected, SOON), self.collector.trouble

    def wait(self, messages: int) -> None:
        """Wait until so many messages are committed."""
        assert self.collector.wait_for(lambda: self.collector.committed >= messages, SOON), self.collector.committed

    def stop(self) -> None:
        """Stop and close."""
        self.collector.stop()
        self.store.close()


def packs() -> tuple[list[str], dict[tuple[str, int], float]]:
    """Return the office record as SenML packs, and what should be stored: (sensor, second) -> value."""
    lines: list[str] = []
    expected: dict[tuple[str, int], float] = {}
    with UCI.open(encoding="utf-8", newline="") as text:
        rows = list(csv.reader(text))[1:]
    for _, wall, temp, humidity, light, _ in rows:
        second = int(datetime.fromisoformat(wall).replace(tzinfo=UTC).timestamp())
        lines.append(
            json.dumps(
                [
                    {"bn": "office:", "bt": second, "n": "temperature", "u": "Cel", "v": float(temp)},
                    {"n": "humidity", "u": "%RH", "v": float(humidity)},
                    {"n": "light", "u": "lx", "v": float(light)},
                ]
            )
        )
        expected |= {("air", second): float(temp), ("damp", second): float(humidity), ("light", second): float(light)}
    return lines, expected


def stored(store: SqliteReadingStore) -> dict[tuple[str, int], float]:
    """Return all that a store holds of the office."""
    block = store.read(["air", "damp", "light"], datetime(2010, 1, 1, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC))
    return {(row.sensor, int(row.measured_at.timestamp())): row.value for row in block.readings()}


# [UCI-OCCUPANCY], excerpt: real values, published by mosquitto_pub, a client that is not ours.
def test_a_rooms_record_is_stored_value_for_value(mosquitto: Mosquitto, office: Farm, tmp_path: Path) -> None:
    """1,500 minutes of temperature, humidity and light come through unchanged."""
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    lines, expected = packs()

    mosquitto.publish("office/node", lines)
    listener.wait(len(lines))
    kept = stored(listener.store)
    listener.stop()

    assert len(lines) == 1500
    assert kept == expected


CHILD = """
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from collectors.mqtt import MqttCollector
from collectors.pipeline import Pipeline
from monitor.clock import system_clock
from monitor.farm import BrokerSettings
from monitor.farmfile import load_farm
from monitor.stores.sqlite import SqliteReadingStore
folder, port = Path(sys.argv[1]), int(sys.argv[2])
farm = replace(load_farm(folder / "farm.toml"), records_from=datetime(2010, 1, 1, tzinfo=UTC))
store = SqliteReadingStore(folder / "readings.db")
pipeline = Pipeline(farm, quarantine=store.quarantine, latest=store.latest)
settings = BrokerSettings(embedded=False, port=port, client_id="monitor-under-test")
collector = MqttCollector(settings, pipeline, store, clock=system_clock)
collector.start()
seen = 0
while True:
    collector.wait_for(lambda: collector.committed > seen, timedelta(seconds=60))
    seen = collector.committed
    print(seen, flush=True)
"""


def test_nothing_is_lost_over_kills_and_restarts(mosquitto: Mosquitto, office: Farm, tmp_path: Path) -> None:
    """Away while 1,200 messages come, the broker restarted, the service killed in the middle: all there, once."""
    from tests.support.farms import TEXT

    (tmp_path / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=MORE), encoding="utf-8")
    Listener(office, tmp_path, settings(mosquitto.port)).stop()  # the session is known from here on
    lines, expected = packs()
    mosquitto.publish("office/node", lines[:1200])  # while the service is down
    mosquitto.stop()
    mosquitto.start()

    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path), str(mosquitto.port)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    child.stdout.readline()  # it has committed something
    os.kill(child.pid, signal.SIGKILL)
    child.stdout.close()
    child.wait(20)
    mosquitto.publish("office/node", lines[1200:])
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    listener.collector.wait_for(lambda: len(stored(listener.store)) >= len(expected), SOON)
    kept, total = stored(listener.store), listener.store.count()
    listener.stop()

    assert kept == expected
    assert total == len(expected)


def test_a_store_that_fails_for_a_while_loses_nothing(mosquitto: Mosquitto, office: Farm, tmp_path: Path) -> None:
    """Not stored is not acknowledged: the batch is tried again until it is on disk."""
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    append, failures = listener.store.append, [3]

    def fails_at_first(block: Block) -> None:
        if failures[0]:
            failures[0] -= 1
            raise (
                StoreUnavailableError("the test's disk is full") if failures[0] else ValueError("something unforeseen")
            )
        append(block)

    listener.store.append = fails_at_first  # type: ignore[method-assign] # the test's disk
    lines, _ = packs()
    mosquitto.publish("office/node", lines[:20])
    listener.wait(20)
    count = listener.store.count()
    listener.stop()

    assert failures == [0]
    assert count == 60


def test_rubbish_costs_itself_only(mosquitto: Mosquitto, office: Farm, tmp_path: Path) -> None:
    """What cannot be read is set aside with its reason, and the next message is stored."""
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    rubbish = ["[{}]", "[", "{}", '[{"n":"temperature","v":"warm"}]', "[[1]]", '[{"n":"temperature","v":1e999}]']
    mosquitto.publish("office/node", [*rubbish, packs()[0][0]])
    listener.wait(len(rubbish) + 1)
    aside, count = listener.store.quarantined(), listener.store.count()
    alive = listener.collector.is_connected
    listener.stop()

    assert len(aside) == len(rubbish)
    assert all(why for *_, why in aside)
    assert (count, alive) == (3, True)


def test_a_retained_message_without_a_time_is_no_fresh_reading(
    mosquitto: Mosquitto, office: Farm, tmp_path: Path
) -> None:
    """An old value that the broker kept is not stored as measured now."""
    mosquitto.publish("t/plain", ["19.5"], "-r")
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    mosquitto.publish("t/plain", ["20.5"])
    listener.wait(2)
    rows = list(listener.store.latest(["plain"]).values())
    dropped, count = dict(listener.pipeline.counters.dropped), listener.store.count()
    listener.stop()

    assert [row.value for row in rows] == [20.5]
    assert (count, dropped) == (1, {"retained message without a time": 1})


def test_the_monitors_end_is_seen_by_others(mosquitto: Mosquitto, office: Farm, tmp_path: Path) -> None:
    """A clean stop leaves "stopped" as the kept heartbeat."""
    listener = Listener(office, tmp_path, settings(mosquitto.port))
    listener.stop()

    heard = listen(settings(mosquitto.port), within=timedelta(seconds=0.3))

    assert json.loads(heard.payloads["traywarden/monitor"])["state"] == "stopped"


def test_a_broker_that_refuses_is_told_with_what_to_check(tmp_path: Path) -> None:
    """A wrong password, and an address where nobody listens."""
    (tmp_path / "broker").mkdir()
    passwords = tmp_path / "broker" / "passwords"
    passwords.write_text("", encoding="utf-8")
    passwords.chmod(0o600)
    broker = Mosquitto(tmp_path / "broker", more=f"password_file {passwords}").start()
    try:
        with pytest.raises(BrokerError, match=r"refuses us.*user and password_file"):
            listen(settings(broker.port), within=timedelta(seconds=0.1))
    finally:
        broker.stop()
    with pytest.raises(BrokerError, match="cannot be reached"):
        listen(settings(broker.port), within=timedelta(seconds=0.1))


def test_the_embedded_broker_hands_out_again_what_was_not_acknowledged(office: Farm, tmp_path: Path) -> None:
    """After the fall back to MQTT 3.1.1, a batch that could not be stored comes again to a new listener."""
    broker = EmbeddedBroker()
    broker.start()
    try:
        first = Listener(office, tmp_path / "a", settings(broker.port))

        def never(_block: Block) -> None:
            raise StoreUnavailableError("the test's disk is full")

        first.store.append = never  # type: ignore[method-assign, assignment] # the test's disk
        from simulated_feeds.publish import Feed

        feed = Feed(broker.port)
        line: list[dict[str, object]] = json.loads(packs()[0][0])
        feed.publish({"office/node": line})
        first.collector.wait_for(lambda: "disk is full" in (first.collector.trouble or ""), SOON)
        first.stop()
        second = Listener(office, tmp_path / "b", settings(broker.port))
        second.wait(1)
        count = second.store.count()
        second.stop()
        feed.stop()
    finally:
        broker.stop()

    assert count == 3


# [UCI-OCCUPANCY], excerpt, through the import: rows have an unnamed row number in front.
def test_the_same_record_comes_in_from_its_file(office: Farm, tmp_path: Path) -> None:
    """The import stores what MQTT stores, and a second time changes nothing."""
    columns = {
        name: (office.sensors[sensor], 1.0, 0.0)
        for name, sensor in (("Temperature", "air"), ("Humidity", "damp"), ("Light", "light"))
    }
    wish = Wish(time_column="date", columns=columns, zone=None)
    wish = replace(wish, zone=farm(tmp_path, zone="UTC").zone)
    store = SqliteReadingStore(tmp_path / "readings.db")
    for _ in range(2):
        manner, tally = look_over(UCI, wish), Tally()
        for block in read_blocks(
            UCI, wish, manner, judge=judge_value, now=system_clock(), records_from=office.records_from, tally=tally
        ):
            store.append(block)
    kept, total = stored(store), store.count()
    store.close()

    assert kept == packs()[1]
    assert (total, tally.error_count) == (4500, 0)


def certificates(folder: Path) -> None:
    """Make a certificate authority and a server certificate for 127.0.0.1 with openssl."""
    openssl = require_binary("openssl")
    (folder / "san.cnf").write_text("subjectAltName=IP:127.0.0.1\n", encoding="utf-8")
    steps = [
        "req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -days 2 -subj /CN=saltcellar-ca",
        "req -newkey rsa:2048 -nodes -keyout server.key -out server.csr -subj /CN=127.0.0.1",
        "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out server.pem -days 2 -extfile san.cnf",
    ]
    for step in steps:
        subprocess.run([openssl, *step.split()], cwd=folder, check=True, capture_output=True, timeout=60)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho leaves a refused TLS socket open
def test_a_broker_behind_tls_is_trusted_by_its_authority_only(office: Farm, tmp_path: Path) -> None:
    """With the right authority readings come in over TLS; with the system's it is refused, with what to check."""
    folder = tmp_path / "broker"
    folder.mkdir()
    certificates(folder)
    more = f"cafile {folder}/ca.pem\ncertfile {folder}/server.pem\nkeyfile {folder}/server.key"
    broker = Mosquitto(folder, more=more).start()
    try:
        secure = settings(broker.port, tls=True, ca_file=folder / "ca.pem")
        listener = Listener(office, tmp_path, secure)
        listener.collector.publish("t/plain", b"20.5")
        listener.wait(1)
        count = listener.store.count()
        listener.stop()
        with pytest.raises(BrokerError, match="TLS failed"):
            listen(settings(broker.port, tls=True), within=timedelta(seconds=0.1))
    finally:
        broker.stop()

    assert count == 1


def test_a_message_handed_over_twice_is_known_over_a_restart(office: Farm) -> None:
    """A message handed over twice without a time, equal to the last stored, is dropped also after a restart."""
    from collectors.pipeline import Message

    now = datetime(2026, 3, 2, tzinfo=UTC)
    known = {"plain": Reading(sensor="plain", measured_at=now, value=20.5)}
    pipeline = Pipeline(office, quarantine=lambda *_: None, latest=lambda _names: known)

    again = pipeline.block_of([Message("t/plain", b"20.5", now, duplicate=True)])
    other = pipeline.block_of([Message("t/plain", b"20.6", now, duplicate=True)])

    assert (len(again), len(other)) == (0, 1)
