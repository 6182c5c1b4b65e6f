"""A SIMULATED farm of many trays, each on a scale that speaks once a minute, published faster than time passes."""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from collectors.mqtt_client import Client, connect, new_client
from monitor.farm import BrokerSettings
from monitor.ledger import EntryKind, NewEntry
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.ledger import SqlLedger
from tests.support.fastclock import fast_clock
from tests.support.sharedfarm import ROOM, wait_for

PACK = 50
_PEA_SOAK = timedelta(hours=9)
"""The usual soak of monitor/crops/pea.toml: after it the drain is nudged."""
_SENSOR = '[[sensor]]\nid = "{id}"\nquantity = "{quantity}"\nspot = "{spot}"\ntopic = "{topic}"\nrecord = "{record}"\n'


@dataclass(frozen=True, kw_only=True)
class World:
    """How large the farm is, and how its time runs.

    Attributes:
        rooms: Number of rooms.
        trays_per_room: A multiple of 50: a node hears the scales of a shelf and sends them in one pack.
        begin: The instant at which its time begins.
        started_s: When that was by the machine's clock. [s since 1970]
        speed: How many times as fast its time runs.
        cold_room: The room whose heater fails, by number; None: none.
        cold_from: From which minute on.
    """

    rooms: int
    trays_per_room: int
    begin: datetime
    started_s: float
    speed: float
    cold_room: int | None = None
    cold_from: int = 0

    @property
    def room_names(self) -> tuple[str, ...]:
        """Return the rooms' ids."""
        return tuple(f"r{room:02}" for room in range(self.rooms))

    @property
    def readings_a_minute(self) -> int:
        """Return how many readings its sensors make a minute."""
        return self.rooms * (self.trays_per_room + 1)

    def now(self) -> datetime:
        """Return its present instant."""
        return fast_clock(self.begin, self.started_s, self.speed)()

    def minute(self) -> int:
        """Return the minute that it is in."""
        return int((self.now() - self.begin) / timedelta(minutes=1))

    def at(self, minute: int) -> datetime:
        """Return the instant of a minute."""
        return self.begin + timedelta(minutes=minute)

    def clock_words(self, farm: Path) -> tuple[str, ...]:
        """Return how a process is started that runs by its time."""
        return (
            "-m",
            "tests.support.fastclock",
            self.begin.isoformat(),
            str(self.started_s),
            str(self.speed),
            str(farm),
        )

    def tables(self) -> str:
        """Return its rooms and sensors as farm.toml has them."""
        shelves = self.trays_per_room // PACK
        parts = []
        for room in self.room_names:
            parts.append(ROOM.format(room=room, shelves=shelves, trays=PACK))
            topic = f"{room}/air"
            parts.append(_SENSOR.format(id=f"{room}-air", quantity="temperature", spot=room, topic=topic, record="air"))
            for shelf in range(shelves):
                for tray in range(PACK):
                    parts.append(
                        _SENSOR.format(
                            id=f"{room}-{shelf}-{tray}",
                            quantity="weight",
                            spot=f"{room}/1/{shelf + 1}",
                            topic=f"{room}/s{shelf}",
                            record=f"t{tray}",
                        )
                    )
        return "\n".join(parts)

    def weight_g(self, tray: int, minute: int) -> float:
        """Return what a scale shows: a tray that dries, with a little noise. [g]."""
        return round(1500.0 - 0.2 * minute + (tray * 7919 + minute * 104_729) % 11 / 10, 1)

    def warmth_c(self, room: int, minute: int) -> float:
        """Return what a room's thermometer shows. [degC]."""
        cold = self.cold_room == room and minute >= self.cold_from
        return round((6.0 if cold else 21.0) + (room * 31 + minute * 17) % 7 / 10, 1)

    def messages(self, minute: int) -> list[tuple[str, bytes]]:
        """Return what its nodes send in a minute, as topics and payloads."""
        at_s, sent = self.at(minute).timestamp(), []
        for number, room in enumerate(self.room_names):
            air = [{"n": "air", "u": "Cel", "t": at_s, "v": self.warmth_c(number, minute)}]
            sent.append((f"{room}/air", json.dumps(air).encode()))
            for shelf in range(self.trays_per_room // PACK):
                pack: list[dict[str, object]] = [
                    {"n": f"t{tray}", "u": "g", "v": self.weight_g(shelf * PACK + tray, minute)} for tray in range(PACK)
                ]
                pack[0]["bt"] = at_s
                sent.append((f"{room}/s{shelf}", json.dumps(pack).encode()))
        return sent

    def expected(self, minutes: int) -> dict[str, tuple[int, float]]:
        """Return count and sum of each sensor's readings of its first minutes."""
        found = {}
        for number, room in enumerate(self.room_names):
            found[f"{room}-air"] = (minutes, sum(self.warmth_c(number, minute) for minute in range(minutes)))
            for shelf in range(self.trays_per_room // PACK):
                for tray in range(PACK):
                    weights = (self.weight_g(shelf * PACK + tray, minute) for minute in range(minutes))
                    found[f"{room}-{shelf}-{tray}"] = (minutes, sum(weights))
        return found

    def sow(self, ledger: SqlLedger, *, soaks: int) -> None:
        """Sow two batches a room some days ago, and have a soak to be drained fall due in each of some minutes."""
        entries = [
            NewEntry(
                kind=EntryKind.SOAKED,
                at=self.at(minute) - _PEA_SOAK,
                by="ines",
                batch=str(1000 + minute),
                data={"crop": "pea", "trays_planned": 4},
            )
            for minute in range(soaks)
        ]
        for number, room in enumerate(self.room_names):
            for part, crop in enumerate(("radish", "pea")):
                sown_at = self.begin - timedelta(days=2 + (number + part) % 4)
                entries.append(
                    NewEntry(
                        kind=EntryKind.SOWN,
                        at=sown_at,
                        by="ines",
                        batch=str(1 + 2 * number + part),
                        trays=10,
                        spot=f"{room}/1/{part + 1}",
                        data={"crop": crop, "tray_kind": "1020"},
                    )
                )
        ledger.append(entries, recorded_at=self.begin)


def world(
    *, rooms: int, trays_per_room: int, speed: float, begin: datetime, cold_room: int | None = None, cold_from: int = 0
) -> World:
    """Return a farm whose time begins to run now."""
    return World(
        rooms=rooms,
        trays_per_room=trays_per_room,
        begin=begin.astimezone(UTC),
        started_s=time.time(),
        speed=speed,
        cold_room=cold_room,
        cold_from=cold_from,
    )


class Nodes:
    """All nodes of a farm, on one connection to the broker; what it does not take now it gets when it is back."""

    def __init__(self, farm: World, port: int) -> None:
        """Connect."""
        settings = BrokerSettings(embedded=False, port=port)
        self._client: Client = new_client(settings, "saltcellar-nodes", v5=False, keep=True, manual_ack=False)
        self._client.max_queued_messages_set(0)
        self._client.max_inflight_messages_set(500)
        self._client.reconnect_delay_set(5, 5)  # later than collectors do: see _SHARED_BACK_S
        self._given = self._taken = 0
        self._client.on_publish = self._on_publish
        connect(self._client, settings, port, v5=False, keep=True)
        self._client.loop_start()
        self._farm = farm
        self.minutes = 0
        self._pause = threading.Event()

    def publish(self, until: int) -> None:
        """Publish minute after minute, each when its time has come, up to one."""
        while self.minutes < until:
            while self._farm.now() < self._farm.at(self.minutes):
                self._pause.wait(0.02)
            self.publish_now(self.minutes)
            self.minutes += 1

    def publish_now(self, minute: int) -> None:
        """Publish one minute."""
        for topic, payload in self._farm.messages(minute):
            self._client.publish(topic, payload, qos=1)  # what is not taken now is sent again after the next connect
            self._given += 1

    def _on_publish(self, *_: object) -> None:
        self._taken += 1

    def rest(self, seconds: float = 60.0) -> None:
        """Wait until the broker has everything."""
        wait_for(lambda: self._taken >= self._given, "the broker has it all", seconds=seconds)

    def end(self) -> None:
        """Disconnect."""
        self._client.end(timedelta(seconds=10))


class Told:
    """What a channel over the broker was handed, counted by key: what a person's telephone would have rung for."""

    def __init__(self, port: int) -> None:
        """Listen; the broker keeps what comes while it is down."""
        self.keys: Counter[str] = Counter()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="counts-what-is-told", protocol=paho.MQTTv311, clean_session=False
        )
        self._client.reconnect_delay_set(1, 2)
        self._listening = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe("told", qos=2)
        self._client.on_subscribe = lambda *_: self._listening.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._listening.wait(10)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if not message.dup:
            self.keys[str(json.loads(message.payload)["key"])] += 1

    def end(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def stored(store: InfluxReadingStore) -> Mapping[str, tuple[int, float]]:
    """Return count and sum of each sensor's readings, as the server reckons them.

    While it is written to, InfluxDB 1.6 now and then answers one of the two without the other.
    """
    found: dict[str, tuple[int, float]] = {}
    for measurement in ("weight", "temperature"):
        question = f'SELECT count("value"), sum("value") FROM {measurement} GROUP BY "sensor"'
        for row in store._query(question):
            found[row["tags"].removeprefix("sensor=")] = (int(row["count"] or 0), float(row["sum"] or 0.0))
    return found


def missing(expected: Mapping[str, tuple[int, float]], found: Mapping[str, tuple[int, float]]) -> int:
    """Return how many readings are missing, too many, or hold another value."""
    wrong = 0
    for name, (count, total) in expected.items():
        has, summed = found.get(name, (0, 0.0))
        wrong += abs(count - has) + (count == has and abs(total - summed) > 0.01)
    return wrong + sum(count for name, (count, _) in found.items() if name not in expected)
