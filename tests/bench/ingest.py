"""`make bench-ingest`: how fast readings come in over MQTT, from publish to commit and acknowledge.

Each number is measured beside a bare paho callback that only counts: same broker, same messages, same run, turn about.
The messages wait in the broker (a session that is known, its client away), then one of the two takes them: so nobody
publishes while it is measured. READINGS=n sets how many are in a round, ROUNDS=n how many rounds.
"""

from __future__ import annotations

import gc
import json
import os
import threading
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import Any

import numpy as np
import paho.mqtt.client as paho

from collectors.mqtt import MqttCollector
from collectors.mqtt_client import Client, connect, new_client
from collectors.pipeline import Message, Pipeline
from monitor.clock import system_clock
from monitor.farm import BrokerSettings, Farm, Sensor
from monitor.readings import Quantity
from monitor.service import rest_from_garbage
from monitor.stores.sqlite import SqliteReadingStore
from tests.bench.prompt import latencies_ms
from tests.support.farms import farm
from tests.support.mosquitto import Mosquitto

SERIES, NODES, PACK = 100, 20, 50
PATIENCE = timedelta(minutes=5)
_DAY_S = 86_400


def sensors(count: int, topic: Callable[[int], str], record: Callable[[int], str]) -> dict[str, Sensor]:
    """Return thermometers and humidity sensors, turn about."""
    kinds = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    made = (
        Sensor(id=f"s{n}", quantity=kinds[n % 2], spot="cellar", topic=topic(n), record=record(n)) for n in range(count)
    )
    return {sensor.id: sensor for sensor in made}


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What is published.

    Attributes:
        name: What it is called in the table.
        farm: The farm whose sensors it feeds.
        messages: (topic, payload), in order.
        readings: How many readings they are.
    """

    name: str
    farm: Farm
    messages: Sequence[tuple[str, bytes]]
    readings: int


def value(number: int) -> float:
    """Return a number that moves a little, of two decimals."""
    return round(21.0 + (number * 7919 % 97) / 100, 2)


def unit(sensor: int) -> str:
    """Return the unit of the n-th sensor."""
    return "%RH" if sensor % 2 else "Cel"


def singles(where: Farm, begin_s: int, count: int) -> Load:
    """Return one reading a message: SenML with its time, from a hundred nodes in turn."""
    own = replace(where, sensors=sensors(SERIES, lambda n: f"cellar/n{n}", lambda _: "v"))
    made = []
    for n in range(count):
        node = n % SERIES
        record = {"bn": f"n{node}:", "bt": begin_s + n // SERIES, "n": "v", "u": unit(node), "v": value(n)}
        made.append((f"cellar/n{node}", json.dumps([record]).encode()))
    return Load(name="one reading a message", farm=own, messages=made, readings=count)


def racks(where: Farm, begin_s: int, count: int) -> Load:
    """Return packs of one instant, each of a node's fifty sensors."""
    own = replace(where, sensors=sensors(NODES * PACK, lambda n: f"cellar/r{n // PACK}", lambda n: f"c{n % PACK}"))
    made = []
    for n in range(count // PACK):
        node = n % NODES
        records: list[dict[str, Any]] = [
            {"n": f"c{each}", "u": unit(each), "v": value(n + 31 * each)} for each in range(PACK)
        ]
        records[0] |= {"bn": f"r{node}:", "bt": begin_s + n // NODES}
        made.append((f"cellar/r{node}", json.dumps(records).encode()))
    return Load(name="packs of 50 sensors", farm=own, messages=made, readings=len(made) * PACK)


def logs(where: Farm, begin_s: int, count: int) -> Load:
    """Return packs of one sensor, each of its fifty seconds."""
    own = replace(where, sensors=sensors(SERIES, lambda n: f"cellar/n{n}", lambda _: "v"))
    made = []
    for n in range(count // PACK):
        node = n % SERIES
        records: list[dict[str, Any]] = [
            {"n": "v", "u": unit(node), "t": each, "v": value(n + 31 * each)} for each in range(PACK)
        ]
        records[0] |= {"bn": f"n{node}:", "bt": begin_s + PACK * (n // SERIES)}
        made.append((f"cellar/n{node}", json.dumps(records).encode()))
    return Load(name="packs of 50 seconds", farm=own, messages=made, readings=len(made) * PACK)


# -- over the broker ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """What one taking cost.

    Attributes:
        seconds: From connecting to the last message, by the wall clock. [s]
        cpu_s: Processor time of this process. [s]
    """

    seconds: float
    cpu_s: float


@contextmanager
def timed(took: list[Took]) -> Iterator[None]:
    """Add what the inside cost."""
    gc.collect()
    wall, cpu = perf_counter(), process_time()
    yield
    took.append(Took(seconds=perf_counter() - wall, cpu_s=process_time() - cpu))


def bare_client(settings: BrokerSettings, topics: Sequence[str], want: int) -> tuple[Client, threading.Event]:
    """Return a client that counts, connecting; the event is set when it has counted so many."""
    client = new_client(settings, "bench-bare", v5=True, keep=True, manual_ack=False)
    done = threading.Event()
    count = [0]

    def on_message(_client: paho.Client, _userdata: Any, _message: paho.MQTTMessage) -> None:
        count[0] += 1
        if count[0] == want:
            done.set()

    def on_connect(client: paho.Client, _userdata: Any, flags: Any, _reason: Any, _properties: Any) -> None:
        if not flags.session_present:
            client.subscribe([(topic, 1) for topic in topics])
        if want == 0:
            done.set()

    client.on_message, client.on_connect = on_message, on_connect
    connect(client, settings, settings.port, v5=True, keep=True)
    client.loop_start()
    return client, done


def take_bare(settings: BrokerSettings, topics: Sequence[str], want: int, took: list[Took]) -> None:
    """Take what waits with a callback that counts."""
    with timed(took):
        client, done = bare_client(settings, topics, want)
        assert done.wait(PATIENCE.total_seconds())
    client.end(timedelta(seconds=10))


def take_ours(settings: BrokerSettings, load: Load, store: SqliteReadingStore, want: int, took: list[Took]) -> None:
    """Take what waits with our collector: decoded, flagged, on disk, acknowledged."""
    pipeline = Pipeline(load.farm, quarantine=store.quarantine, latest=store.latest)
    collector = MqttCollector(settings, pipeline, store, clock=system_clock)
    with timed(took):
        collector.start()
        assert collector.wait_for(lambda: collector.is_connected and collector.committed >= want, PATIENCE)
    collector.stop()
    assert pipeline.counters.quarantined == 0


def publish(port: int, messages: Sequence[tuple[str, bytes]]) -> None:
    """Publish all at QoS 1, and wait until the broker has them."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)  # type: ignore[attr-defined] # it is there
    client.max_inflight_messages_set(1_000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    told = [client.publish(topic, payload, qos=1) for topic, payload in messages]
    for each in told:
        each.wait_for_publish(PATIENCE.total_seconds())
    client.disconnect()
    client.loop_stop()


def measure(load: Load, rounds: int) -> tuple[list[Took], list[Took]]:
    """Return what (bare, ours) cost in each round; every reading is looked for afterwards."""
    bare: list[Took] = []
    ours: list[Took] = []
    with TemporaryDirectory() as place:
        folder = Path(place)
        broker = Mosquitto(folder).start()
        settings = BrokerSettings(embedded=False, port=broker.port, client_id="bench-ours")
        store = SqliteReadingStore(folder / "readings.db")
        topics = Pipeline(load.farm, quarantine=store.quarantine, latest=store.latest).routes.filters
        ways: list[Callable[[int], None]] = [
            lambda want: take_bare(settings, topics, want, bare),
            lambda want: take_ours(settings, load, store, want, ours),
        ]
        for way in ways:
            way(0)
        bare.clear()
        ours.clear()
        share = len(load.messages) // rounds
        for number in range(rounds):
            publish(broker.port, load.messages[number * share : (number + 1) * share])
            for way in ways if number % 2 else reversed(ways):
                way(share)
        assert store.count() == share * rounds * load.readings // len(load.messages)
        store.close()
        broker.stop()
    return bare, ours


def per_second(took: Sequence[Took], readings: int) -> float:
    """Return readings a second over all rounds."""
    return readings / sum(each.seconds for each in took)


# -- without a broker ---------------------------------------------------------------------------------------


def cpu_s_per_reading(where: Farm, series: int, readings: int) -> float:
    """Return the processor time of a reading: decode, flag, commit; a thousand messages a batch. [s]."""
    own = replace(where, sensors=sensors(series, lambda n: f"cellar/n{n}", lambda _: "v"))
    now = system_clock()
    begin_s = int(now.timestamp()) - _DAY_S
    rest_from_garbage()  # as `run` does
    with TemporaryDirectory() as place:
        store = SqliteReadingStore(Path(place) / "readings.db")
        pipeline = Pipeline(own, quarantine=store.quarantine, latest=store.latest)
        spent = 0.0
        for batch in range(-(series // 1_000) - 1, readings // 1_000):
            messages = batch_of(series, batch, begin_s, now)
            cpu = process_time()
            prepared = pipeline.prepare(messages)
            store.append(prepared.block)
            pipeline.settle(prepared)
            if batch >= 0:  # before that every series has spoken once, and is known
                spent += process_time() - cpu
        assert pipeline.counters.quarantined == 0
        store.close()
    return spent / (readings // 1_000 * 1_000)


def batch_of(series: int, batch: int, begin_s: int, now: datetime, every_s: int = 60) -> list[Message]:
    """Return a thousand messages, the series in turn, each so long after its last."""
    made = []
    for n in range(batch * 1_000, batch * 1_000 + 1_000):
        node = n % series
        # all series get the same share of the same span, so that their number alone differs
        record = {"bn": f"n{node}:", "bt": begin_s + every_s * (n // series), "n": "v", "u": unit(node), "v": value(n)}
        made.append(Message(f"cellar/n{node}", json.dumps([record]).encode(), now))
    return made


def bytes_per_series(where: Farm, series: int, readings: int = 3, every_s: int = 60) -> float:
    """Return what ingest and flags, and the store's own books, keep in memory for each series. [bytes]."""
    own = replace(where, sensors=sensors(series, lambda n: f"cellar/n{n}", lambda _: "v"))
    now = system_clock()
    begin_s = int(now.timestamp()) - _DAY_S
    with TemporaryDirectory() as place:
        store = SqliteReadingStore(Path(place) / "readings.db")
        gc.collect()
        tracemalloc.start()
        pipeline = Pipeline(own, quarantine=store.quarantine, latest=store.latest)
        for batch in range(readings * series // 1_000):
            prepared = pipeline.prepare(batch_of(series, batch, begin_s, now, every_s))
            store.append(prepared.block)
            pipeline.settle(prepared)
        del prepared
        gc.collect()
        kept = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        assert pipeline.counters.readings >= readings * series
        store.close()
    return kept / series


# -- the table ----------------------------------------------------------------------------------------------


def facts(readings: int, rounds: int) -> dict[str, float]:
    """Return every number, as the documented JSON has them, and print the rows as they come."""
    found: dict[str, float] = {}
    packed, packed_cpu_us = [], []
    rest_from_garbage()  # as `run` does, for both sides
    with TemporaryDirectory() as place:
        where = replace(farm(Path(place)), records_from=datetime(2020, 1, 1, tzinfo=UTC))
        begin_s = int(system_clock().timestamp()) - 7 * _DAY_S
        print("| over mosquitto, QoS 1 | bare, /s | Traywarden, /s | ratio | CPU us a reading, bare / Traywarden |")  # noqa: T201
        print("|---|---|---|---|---|")  # noqa: T201
        for load in (
            singles(where, begin_s, readings),
            racks(where, begin_s, 4 * readings),
            logs(where, begin_s, 4 * readings),
        ):
            bare, ours = measure(load, rounds)
            each, other = per_second(bare, load.readings), per_second(ours, load.readings)
            cpu = [1e6 * sum(took.cpu_s for took in way) / load.readings for way in (bare, ours)]
            print(f"| {load.name} | {each:,.0f} | {other:,.0f} | {other / each:.2f} | {cpu[0]:.1f} / {cpu[1]:.1f} |")  # noqa: T201
            if load.readings == readings:
                found |= {"readings_per_s": other, "bare_readings_per_s": each, "ratio_to_bare_qos1": other / each}
                found["cpu_ratio_to_bare_qos1"] = cpu[0] / cpu[1]
            else:
                packed.append(other)
                packed_cpu_us.append(cpu[1])
        found["packed_readings_per_s"] = min(packed)
        found["packed_readings_per_cpu_s"] = 1e6 / max(packed_cpu_us)  # what one core does, however busy the machine is
        few, many = (min(cpu_s_per_reading(where, series, 100_000) for _ in range(3)) for series in (100, 10_000))
        found |= {"cpu_us_100_series": 1e6 * few, "cpu_us_10000_series": 1e6 * many}
        found["cpu_ratio_10000_to_100"] = many / few
        found["bytes_per_series"] = bytes_per_series(where, 10_000)
        found["bytes_per_series_after_10_h"] = bytes_per_series(where, 250, readings=120, every_s=300)
        late = latencies_ms(per_second=1_000, seconds=10)
        found["latency_p99_ms"] = float(np.percentile(late, 99))
        found["latency_median_ms"] = float(np.median(late))
    return found


def main() -> None:
    """Measure and tell."""
    readings, rounds = int(os.environ.get("READINGS", "40000")), int(os.environ.get("ROUNDS", "4"))
    found = facts(readings, rounds)
    goals = {
        "ratio_to_bare_qos1": "at least 0.8",
        "packed_readings_per_s": "at least 100,000",
        "latency_p99_ms": "under 250",
        "cpu_ratio_10000_to_100": "at most 1.2",
        "bytes_per_series": "under 2,000",
    }
    print("\n| | measured | goal |\n|---|---|---|")  # noqa: T201
    for name, goal in goals.items():
        print(f"| {name} | {found[name]:,.2f} | {goal} |")  # noqa: T201
    print(f"| bytes_per_series_after_10_h, a reading each 5 minutes | {found['bytes_per_series_after_10_h']:,.2f} | |")  # noqa: T201
    cores = os.cpu_count()
    load = os.getloadavg()[0]
    print(f"\n{cores} cores, load {load:.1f} when done.")  # noqa: T201
    print(json.dumps({"schema": "traywarden.bench-ingest/1", "cores": cores, "load": round(load, 1), **found}))  # noqa: T201


if __name__ == "__main__":
    main()
