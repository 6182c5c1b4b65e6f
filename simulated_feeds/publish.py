"""Simulated nodes: one SenML pack a minute each, published over a real MQTT connection at QoS 1."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.places import LampHours
from simulated_feeds.parameters import RoomParameters, TrayParameters
from simulated_feeds.room import Room
from simulated_feeds.tray import Tray


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that goes wrong in the simulated room for a while."""

    kind: str
    begins_at: datetime
    ends_at: datetime

    def holds(self, now: datetime) -> bool:
        """Tell whether it holds at an instant."""
        return self.begins_at <= now < self.ends_at


@dataclass(frozen=True, slots=True)
class TrayView:
    """What the simulated room needs to know of the tray on the load cell."""

    is_covered: bool
    canopy: float
    stands: bool


class SimulatedCellar:
    """Saltcellar's room, its tray on a load cell, and the nodes that measure them; the truth stays inside."""

    def __init__(self, *, seed: int, lamp: LampHours, faults: Sequence[Fault]) -> None:
        """Take the seed of all noise, the lamp's hours and what goes wrong."""
        self._noise = np.random.default_rng(seed)
        self._room = Room(RoomParameters())
        self._tray = Tray(TrayParameters())
        self._tray.pour(self._tray.parameters.holds_g)
        self._lamp = lamp
        self._faults = tuple(faults)

    def pour(self, grams: float) -> None:
        """Pour water into the tray on the load cell."""
        self._tray.pour(grams)

    def _fault(self, kind: str, now: datetime) -> bool:
        """Tell whether a kind of fault holds now."""
        return any(fault.kind == kind and fault.holds(now) for fault in self._faults)

    def step(self, now: datetime, local: datetime, by: timedelta, view: TrayView) -> dict[str, list[dict[str, object]]]:
        """Move on by one step and return a pack a topic, with values as the nodes measure them."""
        lit = self._lamp.is_on(local.time())
        self._room.heater_works = not self._fault("heater", now)
        self._room.step(local, by, lamp_on=lit, noise=self._noise)
        self._tray.step(
            by,
            deficit_kpa=self._room.deficit_kpa,
            is_covered=view.is_covered,
            is_lit=lit,
            canopy=view.canopy,
        )
        packs = self._measured(lit, view)
        if self._fault("rack1 silent", now):
            packs.pop("saltcellar/rack1")
        seconds = now.timestamp()
        return {topic: [{**records[0], "bt": seconds}, *records[1:]] for topic, records in packs.items()}

    def _measured(self, lit: bool, view: TrayView) -> dict[str, list[dict[str, object]]]:
        """Return what each node measures, with its noise."""
        noise = self._noise.normal(0, 1, 8)
        temp, damp = self._room.temp_c, self._room.humidity_pct
        lux = self._room.parameters.lamp_lx if lit else 1.0

        def record(name: str, unit: str, value: float, digits: int = 2) -> dict[str, object]:
            return {"n": name, "u": unit, "v": round(value, digits)}

        weight = self._tray.weight_g if view.stands else 0.0
        return {
            "saltcellar/cellar": [
                {"bn": "cellar:", **record("temperature", "Cel", temp + 0.06 * noise[0])},
                record("humidity", "%RH", damp + 0.4 * noise[1]),
                record("cold", "Cel", 3.0 + 0.3 * noise[0]),  # its second probe hangs in the cold store
            ],
            "saltcellar/rack1": [
                {"bn": "rack1:", **record("temperature", "Cel", temp + (0.8 if lit else 0.2) + 0.06 * noise[2])},
                record("humidity", "%RH", damp + 1.5 + 0.4 * noise[3]),
                record("light", "lx", max(lux * (1 + 0.01 * noise[4]), 0.0), 1),
            ],
            "saltcellar/rack2": [
                {"bn": "rack2:", **record("temperature", "Cel", temp + (0.6 if lit else 0.1) + 0.06 * noise[5])},
                record("light", "lx", max(0.95 * lux * (1 + 0.01 * noise[6]), 0.0), 1),
                record("scale", "kg", (weight + self._tray.parameters.noise_g * noise[7]) / 1000, 4),
            ],
        }


class Feed:
    """The nodes' connection to the broker."""

    def __init__(self, port: int) -> None:
        """Connect to a broker on this machine."""
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="saltcellar-nodes", protocol=paho.MQTTv311)
        self._client.max_inflight_messages_set(80)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(self, packs: Mapping[str, list[dict[str, object]]]) -> int:
        """Publish one pack a topic, and return how many were published."""
        for topic, records in packs.items():
            self._client.publish(topic, json.dumps(records), qos=1)
        return len(packs)

    def stop(self) -> None:
        """Say good-bye."""
        self._client.disconnect()
        self._client.loop_stop()
