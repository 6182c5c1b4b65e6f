"""The way of a message to the store: decode, identify, calibrate, time, flag; a block of arrays comes out.

Pure but for its counters and for what it remembers of topics without time; I/O is handed in.
"""

from __future__ import annotations

import logging
import math
from collections import Counter, OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from collectors.decode import Decoded, decode
from collectors.routes import Routes
from monitor.errors import PayloadError
from monitor.farm import Farm, Sensor
from monitor.readings import Block, Doubt, Flag, Quantity, Reading, from_ms, to_ms

log = logging.getLogger(__name__)

CLOCK_TOLERANCE_S = 300.0
"""A device's clock may be this far ahead before arrival time is used. [s]"""
_UNCLAIMED_KEPT = 200

_FAIL = {
    Quantity.TEMPERATURE: (-20.0, 60.0),
    Quantity.HUMIDITY: (0.0, 102.0),
    Quantity.LIGHT: (0.0, 200_000.0),
    Quantity.PPFD: (0.0, 3_000.0),
    Quantity.WEIGHT: (-50.0, 500_000.0),
}
"""Outside what such a sensor can measure: flag 4. Common practice, no source. [stored unit]"""
_SUSPECT = {Quantity.TEMPERATURE: (5.0, 40.0)}
"""Outside what a tray room has: flag 3. Common practice, no source. [stored unit]"""

Quarantine = Callable[[datetime, str, bytes, str], None]
"""(arrived at, topic, payload, why): keeps a message that could not be read."""
Latest = Callable[[Sequence[str]], Mapping[str, Reading]]
"""Newest stored reading of each sensor."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker handed it over.

    Attributes:
        topic: Its topic.
        payload: Its bytes.
        arrived_at: When it came (aware UTC).
        retained: The broker had kept it; it is not fresh.
        duplicate: It may have been handed over before (DUP).
    """

    topic: str
    payload: bytes
    arrived_at: datetime
    retained: bool = False
    duplicate: bool = False


@dataclass(slots=True)
class Counters:
    """What became of the messages since the start.

    Attributes:
        messages: Messages received.
        readings: Readings made of them.
        quarantined: Messages that could not be read.
        dropped: Messages left out, by reason.
        unclaimed: Newest payload of each topic that no sensor claims, newest last, bounded.
    """

    messages: int = 0
    readings: int = 0
    quarantined: int = 0
    dropped: Counter[str] = field(default_factory=Counter)
    unclaimed: OrderedDict[str, bytes] = field(default_factory=OrderedDict)


def judge_value(sensor: Sensor, value: float) -> tuple[float, Flag, Doubt] | None:
    """Return a value as it is kept, with flag and doubt: the gross range test; None: it is no number.

    Source: [QARTOD-TS] test 4, gross range; the spans are ours (common practice, no source).
    """
    if not math.isfinite(value):
        return None
    low, high = _FAIL[sensor.quantity]
    if not low <= value <= high:
        return value, Flag.FAIL, Doubt.OUT_OF_SPAN
    if sensor.quantity is Quantity.HUMIDITY and value > 100.0:
        return 100.0, Flag.SUSPECT, Doubt.CLAMPED
    usual = _SUSPECT.get(sensor.quantity)
    if usual is not None and not usual[0] <= value <= usual[1]:
        return value, Flag.SUSPECT, Doubt.NONE
    return value, Flag.PASS, Doubt.NONE


class Pipeline:
    """Turns messages into blocks of readings."""

    def __init__(self, farm: Farm, *, quarantine: Quarantine, latest: Latest) -> None:
        """Take the farm's sensors, where to put what cannot be read, and what is stored already."""
        self.routes = Routes(farm.sensors.values())
        self.counters = Counters()
        self._records_from_s = farm.records_from.timestamp()
        self._quarantine, self._latest = quarantine, latest
        self._last_untimed: dict[str, bytes] = {}
        self._calibrate: Callable[[Sensor, float], float] = lambda _sensor, value: value

    def block_of(self, messages: Sequence[Message]) -> Block:
        """Return all readings of some messages, in order; what cannot be read is quarantined and counted."""
        names: dict[str, int] = {}
        rows: list[tuple[int, int, float, int, int]] = []
        for message in messages:
            self.counters.messages += 1
            for decoded in self._decoded(message):
                judged = judge_value(decoded.sensor, self._calibrate(decoded.sensor, decoded.value))
                if judged is None:
                    self.set_aside(message, f"the value of sensor {decoded.sensor.id} is no finite number")
                    continue
                value, flag, doubt = judged
                at_ms, odd = self._instant(decoded, message)
                index = names.setdefault(decoded.sensor.id, len(names))
                rows.append((index, at_ms, value, int(flag), int(doubt | odd)))
        self.counters.readings += len(rows)
        return Block.from_rows(tuple(names), rows)

    def _decoded(self, message: Message) -> Sequence[Decoded]:
        """Return what a message says, less what is not to be stored."""
        sensors = self.routes.of(message.topic)
        if not sensors:
            self._note_unclaimed(message)
            return ()
        try:
            decoded = decode(message.payload, sensors, topic=message.topic, arrived_s=message.arrived_at.timestamp())
        except PayloadError as exc:
            self.set_aside(message, str(exc))
            return ()
        if all(each.time_s is not None for each in decoded):
            return decoded
        return self._fresh(message, decoded)

    def _fresh(self, message: Message, decoded: Sequence[Decoded]) -> Sequence[Decoded]:
        """Return what a message without time says, unless it is an old one come again."""
        if message.retained:
            self.counters.dropped["retained message without a time"] += 1
            return ()
        if message.duplicate and self._is_stored(message, decoded):
            self.counters.dropped["message without a time handed over twice"] += 1
            return ()
        self._last_untimed[message.topic] = message.payload
        return decoded

    def _is_stored(self, message: Message, decoded: Sequence[Decoded]) -> bool:
        """Tell whether a message handed over again equals the last one of its topic, also over a restart."""
        known = self._last_untimed.get(message.topic)
        if known is not None:
            return known == message.payload
        stored = self._latest([each.sensor.id for each in decoded])
        return bool(decoded) and all(
            each.sensor.id in stored and stored[each.sensor.id].value == each.value for each in decoded
        )

    def _instant(self, decoded: Decoded, message: Message) -> tuple[int, Doubt]:
        """Return a reading's instant in ms and what is odd about it: the payload's time, or that of arrival."""
        arrived_ms = to_ms(message.arrived_at)
        if decoded.time_s is None:
            return arrived_ms, Doubt.ARRIVAL_TIME
        if decoded.time_s > arrived_ms / 1000 + CLOCK_TOLERANCE_S:
            return arrived_ms, Doubt.CLOCK_AHEAD
        if decoded.time_s < self._records_from_s:
            return arrived_ms, Doubt.CLOCK_BEHIND
        return round(decoded.time_s * 1000), Doubt.NONE

    def _note_unclaimed(self, message: Message) -> None:
        """Keep the newest payload of a topic that no sensor claims."""
        self.counters.dropped["topic that no sensor claims"] += 1
        self.counters.unclaimed[message.topic] = message.payload[:200]
        self.counters.unclaimed.move_to_end(message.topic)
        if len(self.counters.unclaimed) > _UNCLAIMED_KEPT:
            self.counters.unclaimed.popitem(last=False)

    def set_aside(self, message: Message, why: str) -> None:
        """Quarantine a message; it is acknowledged all the same, since it would never become readable."""
        self.counters.quarantined += 1
        log.warning("message.quarantined topic=%s why=%s", message.topic, why)
        self._quarantine(message.arrived_at, message.topic, message.payload, why)


def newest_of(block: Block) -> datetime | None:
    """Return the latest instant in a block, or None where it is empty."""
    return from_ms(int(block.measured_at_ms.max())) if len(block) else None
