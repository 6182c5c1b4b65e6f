"""How long it takes from a reading's publishing to the hand-over of its news at a channel that only counts.

The real service over a real broker: commit, live state, all rules, alarm states, outbox, hand-over. No rule of a farm
is without delay, so one is added that is; and the clockwork, which looks once a minute, is woken by each commit here.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

import paho.mqtt.client as paho

from alerts import rules
from alerts.findings import Finding, Priority, Tick
from monitor.clock import system_clock
from monitor.farm import BrokerSettings, Farm, Sensor
from monitor.profilefile import shipped_profiles
from monitor.readings import Quantity
from monitor.service import Service
from tests.support.farms import farm
from tests.support.mosquitto import Mosquitto

RULE = "bench without delay"
_EVERY = 50
"""One reading in so many is the one that the rule tells of."""
_FIRST = 3.0
"""The n-th such reading has this and n thousandths. [degC]"""


_NO_TIME, _SOON = timedelta(0), timedelta(seconds=30)


def without_delay(tick: Tick) -> tuple[Finding, ...]:
    """Return a finding of its own for each reading of the marked sensor."""
    newest = tick.live.latest("marked")
    if newest is None:
        return ()
    number = round((newest.value - _FIRST) * 1000)
    found = Finding(
        rule=f"{RULE} {number}",
        spot="cold",
        batch=None,
        sensor="marked",
        priority=Priority.URGENT,
        since=newest.measured_at,
        value=newest.value,
        limit=_FIRST,
        cause=f"Reading {number} came in.",
        consequence="None.",
        action="None.",
    )
    return (found,)


class Counting:
    """A channel that only counts: when each piece of news was handed over."""

    def __init__(self) -> None:
        """Begin empty."""
        self.at: dict[int, float] = {}
        self.changed = threading.Condition()

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Note the instant."""
        now = perf_counter()
        found = re.search(rf"{RULE} (\d+)", f"{title} {text} {payload}")
        with self.changed:
            if found:
                self.at[int(found.group(1))] = now
            self.changed.notify_all()


def the_farm(where: Farm, broker: Mosquitto) -> Farm:
    """Return a farm of a hundred thermometers, and the marked one in a place of its own, without neighbours."""
    plain = [
        Sensor(id=f"s{n}", quantity=Quantity.TEMPERATURE, spot="cellar", topic=f"b/n{n}", record="v")
        for n in range(100)
    ]
    marked = Sensor(id="marked", quantity=Quantity.TEMPERATURE, spot="cold", topic="b/marked", record="v")
    settings = BrokerSettings(embedded=False, port=broker.port, client_id="bench-prompt")
    return replace(where, sensors={each.id: each for each in (*plain, marked)}, broker=settings)


@contextmanager
def woken_by_commits(service: Service, channel: Counting) -> Iterator[None]:
    """Run what is due after each commit, in a thread."""
    news, ending = threading.Event(), threading.Event()
    service.on_change = lambda what: news.set() if what == "readings" else None

    def run() -> None:
        while not ending.is_set():
            if news.wait(0.5):
                news.clear()
                service.run_due(system_clock())
                service.advisor._floods = {}  # each piece of news is to be told by itself

    thread = threading.Thread(target=run)
    thread.start()
    rules.ALL[RULE] = without_delay
    try:
        yield
    finally:
        del rules.ALL[RULE]
        ending.set()
        thread.join(30)


def publish(port: int, per_second: int, seconds: int) -> dict[int, float]:
    """Publish so many readings a second, and return when each marked one was published."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)  # type: ignore[attr-defined] # it is there
    client.max_inflight_messages_set(2_000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    pause, published = threading.Event(), dict[int, float]()
    began = perf_counter()
    for n in range(per_second * seconds):
        late_s = began + n / per_second - perf_counter()
        if late_s > 0.002:
            pause.wait(late_s)
        at_s = system_clock().timestamp()
        is_marked = n % _EVERY == 0
        number = n // _EVERY
        name = "marked" if is_marked else f"n{n % 100}"
        measured = round(_FIRST + number / 1000, 3) if is_marked else round(20 + n % 7 / 10, 1)
        body = json.dumps([{"bn": f"{name}:", "bt": at_s, "n": "v", "u": "Cel", "v": measured}])
        if is_marked:
            published[number] = perf_counter()
        client.publish(f"b/{name}", body, qos=1)
    client.disconnect()
    client.loop_stop()
    return published


def latencies_ms(*, per_second: int, seconds: int) -> list[float]:
    """Return how long each marked reading took to the channel; one that was overtaken counts as its successor. [ms]."""
    with TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "broker").mkdir()
        broker = Mosquitto(folder / "broker").start()
        service = Service(the_farm(farm(folder), broker), shipped_profiles(), clock=system_clock, look_every=_NO_TIME)
        channel: Any = Counting()
        service.advisor._channels = {"console": channel}
        service.start_listening()
        collector = service.collector
        assert collector is not None
        assert collector.wait_for(lambda: collector.is_connected, _SOON)
        with woken_by_commits(service, channel):
            published = publish(broker.port, per_second, seconds)
            with channel.changed:
                channel.changed.wait_for(lambda: max(published) in channel.at, 30)
        service.stop()
        broker.stop()
    told = sorted(channel.at)
    assert max(published) in channel.at
    found = []
    for number, at in published.items():
        by = next(each for each in told if each >= number)
        found.append(1000 * (channel.at[by] - at))
    return found
