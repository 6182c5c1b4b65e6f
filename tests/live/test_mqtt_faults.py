"""What brokers, stores and our own code do wrong, and what it costs: never the network thread, never a reading."""

from __future__ import annotations

import json
import logging
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collectors import mqtt
from collectors.embedded_broker import EmbeddedBroker
from collectors.listening import listen
from collectors.mqtt import MqttCollector
from collectors.pipeline import Pipeline
from monitor.clock import system_clock
from monitor.errors import BrokerError, StoreUnavailableError
from monitor.farm import BrokerSettings, Farm
from monitor.readings import Block
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.fakebroker import MALFORMED, fake_broker, publish_packet
from tests.support.farms import farm, sensor_text
from tests.support.influx import wait_until
from tests.support.mosquitto import Mosquitto
from tests.support.needs import require_binary

pytestmark = pytest.mark.live
SOON = timedelta(seconds=30)
START = datetime(2026, 3, 2, tzinfo=UTC)


def timed(number: int) -> str:
    """Return a pack with a time of its own."""
    return json.dumps([{"n": "t", "u": "Cel", "v": 20 + number / 100, "bt": int(START.timestamp()) + number}])


class Store(SqliteReadingStore):
    """A real store that can be made to fail, or to wait."""

    def __init__(self, path: Path) -> None:
        """Open it; it works until told otherwise."""
        super().__init__(path)
        self.before: Callable[[Block], object] = lambda _block: None

    def append(self, block: Block) -> None:
        """Keep a block, after whatever the test wants."""
        self.before(block)
        super().append(block)


@pytest.fixture
def cellar(tmp_path: Path) -> Farm:
    """Return a farm with one thermometer on the topic t/plain."""
    return farm(tmp_path, more=sensor_text("plain", "temperature", "cellar"))


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Run a broker that keeps its queue."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker").start()
    yield broker
    broker.stop()


def settings(port: int) -> BrokerSettings:
    """Return how to reach a test's broker."""
    return BrokerSettings(embedded=False, port=port, client_id="monitor-under-test")


@contextmanager
def listening(
    cellar: Farm, store: Store, broker: BrokerSettings, *, v5: bool = True, room: int = 100,
    after_commit: Callable[[Block], None] = lambda _block: None,
) -> Iterator[MqttCollector]:  # fmt: skip
    """Run a collector for a while; it may not be connected yet."""
    pipeline = Pipeline(cellar, quarantine=store.quarantine, latest=store.latest)
    collector = MqttCollector(
        broker, pipeline, store, clock=system_clock, speaks_v5=v5, room=room, after_commit=after_commit
    )
    collector.start()
    try:
        yield collector
    finally:
        collector.stop()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Return a store that a test can make fail."""
    opened = Store(tmp_path / "readings.db")
    yield opened
    opened.close()


def connected(collector: MqttCollector) -> None:
    """Wait until a collector is connected."""
    assert collector.wait_for(lambda: collector.is_connected, SOON), collector.trouble


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(b"\x20\x02\x00\x01", id="it says that it does not speak this version"),
        pytest.param(b"", id="it hangs up without a word"),
    ],
)
def test_a_broker_that_speaks_only_3_1_1_is_spoken_to_so(cellar: Farm, store: Store, answer: bytes) -> None:
    """MQTT 5 is tried first; then readings come in, and are acknowledged, over 3.1.1."""
    message = publish_packet("t/plain", b"21.5", 7)
    with (
        fake_broker(to_v5=answer, sends=lambda _number: [message]) as broker,
        listening(cellar, store, settings(broker.port)) as collector,
    ):
        assert collector.wait_for(lambda: collector.committed == 1, SOON), collector.trouble
        assert broker.wait_for(lambda: [7] in broker.acks.values())
        levels = broker.levels

    assert (levels[0], levels[-1]) == (5, 4)
    assert store.latest(["plain"])["plain"].value == 21.5


def test_a_broken_packet_costs_the_connection_only(cellar: Farm, store: Store) -> None:
    """The network thread lives, connects anew, and the next message is stored."""

    def sends(number: int) -> list[bytes]:
        return [MALFORMED if number == 1 else publish_packet("t/plain", b"21.5", 1)]

    with (
        fake_broker(sends=sends) as broker,
        listening(cellar, store, settings(broker.port), v5=False) as collector,
    ):
        assert collector.wait_for(lambda: collector.committed == 1, SOON), collector.trouble
        assert broker.wait_for(lambda: broker.acks.get(2) == [1])


# The bug that this prevents: an exception within the library ended the network thread, and nobody noticed.
def test_what_trips_the_library_does_not_end_the_network_thread(
    cellar: Farm, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    """A host name with an empty part raises inside paho; it is logged, tried again, and stop() still ends."""
    with listening(cellar, store, replace(settings(1), host="broker..cellar")) as collector:
        wait_until(lambda: caplog.text.count("network.failed") >= 2)
        trouble = collector.trouble

    assert "there is no connection to broker..cellar:1 yet" in (trouble or "")


# The bug that this prevents: an acknowledgement names a packet id only, and ids begin anew on each connection.
def test_no_acknowledgement_crosses_to_another_connection(cellar: Farm, store: Store) -> None:
    """A message of a lost connection is not acknowledged over the next one, where its id means another message."""
    may_store = {21.0: threading.Event(), 22.0: threading.Event()}
    asked: dict[float, threading.Event] = {21.0: threading.Event(), 22.0: threading.Event()}

    def waits(block: Block) -> None:
        value = float(block.value[0])
        asked[value].set()
        may_store[value].wait(30)

    store.before = waits
    with (
        fake_broker(sends=lambda number: [publish_packet("t/plain", b"2%d" % number, 1)]) as broker,
        listening(cellar, store, settings(broker.port), v5=False) as collector,
    ):
        assert asked[21.0].wait(30)
        broker.hang_up()
        assert broker.wait_for(lambda: len(broker.levels) == 2)
        connected(collector)
        may_store[21.0].set()
        assert asked[22.0].wait(30)
        collector.publish("told/in/order", b"after whatever was acknowledged before")
        before = {number: list(ids) for number, ids in broker.acks.items()}
        may_store[22.0].set()
        assert broker.wait_for(lambda: broker.acks[2] == [1])

    assert before == {1: [], 2: []}


def test_a_subscription_that_is_refused_is_told(cellar: Farm, store: Store) -> None:
    """Connected is not the same as heard: the topic that the broker keeps from us is named."""
    with (
        fake_broker(to_subscribe=0x80) as broker,
        listening(cellar, store, settings(broker.port), v5=False) as collector,
    ):
        told = collector.wait_for(lambda: "t/plain" in (collector.trouble or ""), SOON)
        with pytest.raises(BrokerError, match=r"does not let this user read all topics"):
            listen(settings(broker.port), within=timedelta(seconds=0.1))

    assert told


def test_a_broker_that_is_none_is_told(tmp_path: Path) -> None:
    """One that hangs up at once, and a name that does not exist."""
    with fake_broker(to_v5=b"") as broker:
        broker._serve = lambda connection: connection.close()  # type: ignore[method-assign] # it is no broker at all
        with pytest.raises(BrokerError, match=r"hangs up without an answer.*tls = true"):
            listen(settings(broker.port), within=timedelta(seconds=0.1))
    with pytest.raises(BrokerError, match=r"no such address; see host"):
        listen(replace(settings(1), host="no-such-broker.invalid"), within=timedelta(seconds=0.1))
    unread = replace(settings(1), tls=True, ca_file=tmp_path / "no.pem")
    with pytest.raises(BrokerError, match=r"no\.pem of \[broker\] is no readable certificate"):
        listen(unread, within=timedelta(seconds=0.1))


def test_a_user_is_let_in_by_the_password_of_a_file(
    cellar: Farm, store: Store, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """With the right password readings come in; with a wrong one the refusal is told, and 3.1.1 is not tried."""
    folder = tmp_path / "broker"
    folder.mkdir()
    users = folder / "users"
    subprocess.run(
        [require_binary("mosquitto_passwd"), "-c", "-b", users, "monitor", "battery staple"], check=True, timeout=20
    )
    users.chmod(0o644)
    broker = Mosquitto(folder, more=f"password_file {users}").start()
    secret, wrong = tmp_path / "secret", tmp_path / "wrong"
    secret.write_text("battery staple\n", encoding="utf-8")
    wrong.write_text("correct horse\n", encoding="utf-8")
    known = replace(settings(broker.port), user="monitor", password_file=secret)
    try:
        with listening(cellar, store, known) as collector:
            connected(collector)
            collector.publish("t/plain", b"20.5")
            assert collector.wait_for(lambda: collector.committed == 1, SOON)
        with listening(cellar, store, replace(known, password_file=wrong)) as collector:
            assert collector.wait_for(lambda: caplog.text.count("broker.refused") >= 2, SOON)
            trouble = collector.trouble
    finally:
        broker.stop()

    assert "refuses us: Not authorized" in (trouble or "")
    assert "broker.fallback" not in caplog.text
    assert "horse" not in caplog.text


def test_what_fails_after_the_commit_costs_no_reading(mosquitto: Mosquitto, cellar: Farm, store: Store) -> None:
    """The live state's own fault is logged; the message is stored, acknowledged, and the next one comes."""

    def fails(_block: Block) -> None:
        raise ZeroDivisionError("the test's live state")

    with listening(cellar, store, settings(mosquitto.port), after_commit=fails) as collector:
        connected(collector)
        mosquitto.publish("t/plain", [timed(1), timed(2)])
        assert collector.wait_for(lambda: collector.committed == 2, SOON)
        alive = collector.is_connected

    with listening(cellar, store, settings(mosquitto.port)) as collector:  # nothing was left to come again
        connected(collector)
        mosquitto.publish("t/plain", [timed(3)])
        assert collector.wait_for(lambda: collector.committed >= 1, SOON)
        again = collector.committed
    assert (alive, again, store.count()) == (True, 1, 3)


# The bug that this prevents: stop() waited for room in a queue that nobody was emptying any more.
def test_stopping_with_a_full_queue_ends_and_loses_nothing(mosquitto: Mosquitto, cellar: Farm, store: Store) -> None:
    """What is in the queue was not acknowledged, so the broker hands it out again to the next start."""

    def full(_block: Block) -> None:
        raise StoreUnavailableError("the test's disk is full")

    store.before = full
    with listening(cellar, store, settings(mosquitto.port), room=2) as collector:
        connected(collector)
        mosquitto.publish("t/plain", [timed(number) for number in range(12)])
        assert collector.wait_for(lambda: "disk is full" in (collector.trouble or ""), SOON)
        stopping = threading.Thread(target=collector.stop)
        stopping.start()
        stopping.join(15)
        ended = not stopping.is_alive()
    store.before = lambda _block: None
    with listening(cellar, store, settings(mosquitto.port)) as collector:
        assert collector.wait_for(lambda: collector.committed >= 12, SOON), collector.committed

    assert ended
    assert store.count() == 12


# The bug that this prevents: a message that found no room was skipped, and the ones after it were acknowledged.
def test_a_queue_that_stays_full_leaves_no_hole(
    mosquitto: Mosquitto, cellar: Farm, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The connection is broken off, and all that was not stored comes again."""
    monkeypatch.setattr(mqtt, "_PUT_STEPS", 1)
    monkeypatch.setattr(mqtt, "_PUT_STEP_S", 0.2)
    caplog.set_level(logging.WARNING)
    may_store = threading.Event()
    store.before = lambda _block: may_store.wait(30)
    with listening(cellar, store, settings(mosquitto.port), room=3) as collector:
        connected(collector)
        mosquitto.publish("t/plain", [timed(number) for number in range(30)])
        assert collector.wait_for(lambda: "message.not_taken" in caplog.text and not collector.is_connected, SOON)
        may_store.set()
        assert collector.wait_for(lambda: store.count() == 30, SOON), store.count()

    assert store.count() == 30


# The bug that this prevents: the mark behind the messages was taken though one before it had found no room.
def test_one_that_leaves_has_not_left_while_a_message_was_not_taken(
    cellar: Farm, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the connection still held after it was broken off, the mark too, is read: it counts on the next one only."""
    monkeypatch.setattr(mqtt, "_PUT_STEPS", 1)
    monkeypatch.setattr(mqtt, "_PUT_STEP_S", 0.01)
    pipeline = Pipeline(cellar, quarantine=store.quarantine, latest=store.latest)
    collector = MqttCollector(settings(1), pipeline, store, clock=system_clock, room=1, leaves=True)
    network = Sends()
    collector._on_unsubscribe(network, None, 1, [], None)
    first_mark = network.published[-1]
    for number, (topic, payload) in enumerate([("t/plain", b"20"), ("t/plain", b"21"), first_mark], start=1):
        collector._on_message(network, None, arrived(topic, payload, number))

    waiting = [collector._queue.get_nowait() for _ in range(collector._queue.qsize())]
    collector._on_unsubscribe(network, None, 1, [], None)
    collector._on_message(network, None, arrived(*network.published[-1], 4))

    assert [getattr(each, "mid", None) for each in waiting] == [1]
    assert not isinstance(collector._queue.get_nowait(), mqtt._Queued)


class Sends(paho.Client):
    """A client whose connection only notes what is published."""

    def __init__(self) -> None:
        """Note nothing yet."""
        super().__init__(CallbackAPIVersion.VERSION2)
        self.published: list[tuple[str, bytes]] = []

    def publish(self, topic: str, payload: Any = None, *_: Any, **__: Any) -> Any:
        """Note a message."""
        self.published.append((topic, payload))

    def subscribe(self, *_: Any, **__: Any) -> Any:
        """Do nothing."""


def arrived(topic: str, payload: bytes, mid: int) -> paho.MQTTMessage:
    """Return a message as the library hands it over."""
    message = paho.MQTTMessage(mid, topic.encode())
    message.payload, message.qos = payload, 1
    return message


def test_the_embedded_broker_starts_stops_and_tells_its_port() -> None:
    """A free port is found, is told, is let go of, and the same one is taken again; a taken one is refused in words."""
    broker = EmbeddedBroker()
    assert broker.port == 0
    broker.start()
    port = broker.port
    broker.start()  # a second start does nothing
    listen(settings(port), within=timedelta(seconds=0.01))
    with pytest.raises(BrokerError, match=rf"cannot listen on port {port}.*embedded = false"):
        EmbeddedBroker(port).start()
    broker.stop()
    broker.stop()
    with pytest.raises(BrokerError, match="cannot be reached"):
        listen(settings(port), within=timedelta(seconds=0.01))
    broker.start()
    again = broker.port
    broker.stop()

    assert (port > 0, again) == (True, port)
