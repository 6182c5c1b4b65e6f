"""The way of a message to the store: decode, identify, calibrate, time, flag; a block of arrays comes out.

It goes in two steps, so that a store that fails in between costs nothing: ``prepare`` changes nothing and may be
called again, ``settle`` counts, remembers and quarantines once the block is on disk. I/O is handed in.
"""

from __future__ import annotations

import logging
import math
import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import NamedTuple

from collectors.decode import Decoded, Decoding, decode_each
from collectors.quickpacks import QuickPacks
from collectors.routes import Routes
from monitor.calibration import RAW
from monitor.errors import StoreError
from monitor.farm import Farm, Sensor
from monitor.flagger import Flagger, Pending
from monitor.flagging import Kept
from monitor.readings import Block, Doubt, Flag, Quantity, Reading, to_ms
from monitor.unflagged import Flags
from monitor.unread import KEPT_BY_BROKER

log = logging.getLogger(__name__)

CLOCK_TOLERANCE_S = 300.0
"""A device's clock may be this far ahead before arrival time is used. [s]"""
_SPACING_KEPT_S = 86_400.0
"""Readings of one message whose clock is wrong keep their distances up to this. [s]"""
_UNCLAIMED_KEPT = 200
_UNCLAIMED_SHOWN = 200  # bytes of a payload
_TOPICS_REMEMBERED = 10_000
_ARRIVAL = int(Doubt.ARRIVAL_TIME)
_PASS, _NOT_EVALUATED = int(Flag.PASS), int(Flag.NOT_EVALUATED)
UNCLAIMED = "topic that no sensor claims"
"""Why a message is left out that is for nobody."""

_FAIL = {
    Quantity.TEMPERATURE: (-20.0, 60.0),
    Quantity.HUMIDITY: (0.0, 102.0),
    Quantity.LIGHT: (0.0, 200_000.0),
    Quantity.PPFD: (0.0, 3_000.0),
    Quantity.WEIGHT: (-50.0, 500_000.0),
    Quantity.BATTERY: (0.0, 100.0),
}
"""Outside what such a sensor can measure: flag 4. Common practice, no source. [stored unit]"""
_SUSPECT = {Quantity.TEMPERATURE: (-15.0, 50.0)}
"""Outside what tray rooms and cold stores can come to: flag 3, and no finding is judged on it. Wide on purpose: a room
that freezes since its heater is dead must be judged. Common practice, no source. [stored unit]"""

Quarantine = Callable[[datetime, str, bytes, str], None]
"""(arrived at, topic, payload, why): keeps a message that could not be read."""
Latest = Callable[[Sequence[str]], Mapping[str, Reading]]
"""Newest stored reading of each sensor."""
Calibrate = Callable[[Sensor, float, int], float]
"""(sensor, value in the stored unit, instant in ms) -> the value that a better instrument would have shown."""


class Message(NamedTuple):
    """One message as the broker, or another collector, handed it over.

    Attributes:
        topic: Its topic.
        payload: Its bytes.
        arrived_at: When it came (aware UTC).
        retained: The broker had kept it; it is not fresh.
        duplicate: It may have been handed over before (DUP).
        given: What it says, where its collector has read it already (registers, a row of a file); the payload is
            then kept for the quarantine only.
    """

    topic: str
    payload: bytes
    arrived_at: datetime
    retained: bool = False
    duplicate: bool = False
    given: Decoding | None = None


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


@dataclass(slots=True)
class Prepared:
    """What some messages become, before anything is done about it.

    Attributes:
        block: Their readings, in order.
        messages: How many messages they were.
        aside: Messages that cannot be read, wholly or in part, and why; settle takes each out as it is kept.
        untimed: Newest payload without a time of its own, by topic.
        dropped: Messages left out, by reason.
        unclaimed: Payloads of topics that no sensor claims, newest last.
        flags: What is to be remembered for the flags of what comes next.
        revises: A reading of the block, or of an earlier one, has its flag revised by it.
    """

    block: Block
    messages: int = 0
    aside: list[tuple[Message, str]] = field(default_factory=list)
    untimed: dict[str, bytes] = field(default_factory=dict)
    dropped: Counter[str] = field(default_factory=Counter)
    unclaimed: OrderedDict[str, bytes] = field(default_factory=OrderedDict)
    flags: Pending = field(default_factory=Pending)
    revises: bool = False


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


def sure_span(sensor: Sensor) -> tuple[float, float]:
    """Return the span within which judge_value keeps a sensor's value as it is, and passes it. [stored unit]."""
    low, high = _FAIL[sensor.quantity]
    if sensor.quantity is Quantity.HUMIDITY:
        return low, 100.0
    return _SUSPECT.get(sensor.quantity, (low, high))


def as_measured(_sensor: Sensor, value: float, _at_ms: int) -> float:
    """Return a value unchanged: no sensor is calibrated."""
    return value


Row = tuple[int, int, float, int, int]


class Pipeline:
    """Turns messages into blocks of readings."""

    def __init__(
        self,
        farm: Farm,
        *,
        quarantine: Quarantine,
        latest: Latest,
        calibrate: Calibrate = as_measured,
        flags: Flags | None = None,
    ) -> None:
        """Take the farm's sensors, where to put what cannot be read, what is stored already, and the calibration.

        ``flags`` is who flags the readings by what came before them; None: a Flagger of its own.
        """
        self.routes = Routes(farm.sensors.values())
        self._records_from_s = farm.records_from.timestamp()
        self._quarantine, self._latest, self._calibrate = quarantine, latest, calibrate
        self._flagger: Flags = Flagger(farm) if flags is None else flags
        self._quick = QuickPacks(self.routes.of, sure_span, self._flagger.number)
        self._untimed: dict[str, bytes] = {}
        self._counters = Counters()
        self._counting = threading.Lock()
        self.turn = threading.Lock()
        """Held by a collector from prepare to settle: what is remembered of a series is for one at a time."""

    def remember(self, block: Block) -> None:
        """Take in what is stored of the last days, so that a restart changes no flag; before the first message."""
        self._flagger.remember(block)

    @property
    def counters(self) -> Counters:
        """Return what became of the messages so far, as a copy that stands still."""
        with self._counting:
            now = self._counters
            return replace(now, dropped=Counter(now.dropped), unclaimed=OrderedDict(now.unclaimed))

    def block_of(self, messages: Sequence[Message]) -> Block:
        """Prepare and settle in one step, for callers without a store that can fail."""
        prepared = self.prepare(messages)
        self.settle(prepared)
        return prepared.block

    def prepare(self, messages: Sequence[Message]) -> Prepared:
        """Return what some messages become; nothing is changed, so the same may be prepared again.

        Raises:
            StoreError: What is stored already had to be asked for, and could not be read.
        """
        prepared = Prepared(Block.from_rows((), ()), messages=len(messages))
        names: dict[str, int] = {}
        rows: list[Row] = []
        for message in messages:
            try:
                if not self._quick_rows(message, names, prepared, rows):
                    rows.extend(self._rows_of(message, names, prepared))
            except StoreError:
                raise
            except Exception as exc:  # a message that trips our own code costs itself only
                log.exception("pipeline.failed topic=%s", message.topic)
                prepared.aside.append((message, f"our own fault, please report it: {exc!r:.200}"))
        if prepared.revises:  # a revised flag may meet its own reading in one block: a store is given one of them
            rows = list({(row[0], row[1]): row for row in rows}.values())
        prepared.block = Block.from_rows(tuple(names), rows)
        return prepared

    def settle(self, prepared: Prepared) -> None:
        """Count what was prepared, remember it, and quarantine what cannot be read; to be called after the commit.

        Raises:
            StoreError: The quarantine cannot be written; call again with the same later.
        """
        while prepared.aside:
            self.set_aside(*prepared.aside[0])
            prepared.aside.pop(0)
        self._untimed |= prepared.untimed
        self._flagger.settle(prepared.flags)
        while len(self._untimed) > _TOPICS_REMEMBERED:
            del self._untimed[next(iter(self._untimed))]
        with self._counting:
            self._counters.messages += prepared.messages
            self._counters.readings += len(prepared.block)
            self._counters.dropped.update(prepared.dropped)
            for topic, payload in prepared.unclaimed.items():
                self._counters.unclaimed[topic] = payload
                self._counters.unclaimed.move_to_end(topic)
            while len(self._counters.unclaimed) > _UNCLAIMED_KEPT:
                self._counters.unclaimed.popitem(last=False)

    def set_aside(self, message: Message, why: str) -> None:
        """Quarantine a message; it is acknowledged all the same, since it would never become readable."""
        told = why + KEPT_BY_BROKER if message.retained else why
        self._quarantine(message.arrived_at, message.topic, message.payload, told)
        with self._counting:
            self._counters.quarantined += 1
        log.warning("message.quarantined topic=%s why=%s", message.topic, why)

    def _quick_rows(self, message: Message, names: dict[str, int], prepared: Prepared, rows: list[Row]) -> bool:
        """Add the readings of a pack of the usual form; False, and nothing is added: it is to go the long way.

        What comes of it is what _rows_of makes of it.
        """
        if message.given is not None:
            return False
        newest_s = message.arrived_at.timestamp() + CLOCK_TOLERANCE_S
        quick = self._quick.read(message.topic, message.payload, self._records_from_s, newest_s)
        if quick is None:
            return False
        values, times_s = quick.values, quick.times_s
        flags, calibrate, passes = prepared.flags, self._calibrate, self._flagger.passes
        for at, sensor, name, factor, offset, low, high, number in quick.takes:
            at_ms = round(times_s[at] * 1000)
            measured = factor * values[at] + offset
            value = measured if calibrate is as_measured else calibrate(sensor, measured, at_ms)
            if value != measured:
                rows.append((names.setdefault(name + RAW, len(names)), at_ms, measured, _NOT_EVALUATED, 0))
            if low <= value <= high and (number is None or passes(number, at_ms, value, flags)):
                rows.append((names.setdefault(name, len(names)), at_ms, value, _PASS, 0))
                continue
            judged = judge_value(sensor, value)
            if judged is None:
                prepared.aside.append((message, f"the value of sensor {name} is no finite number"))
            else:
                kept = Kept(at_ms, judged[0], int(judged[1]), int(judged[2]))
                self._flag(sensor, names.setdefault(name, len(names)), kept, prepared, rows)
        return True

    def _flag(self, sensor: Sensor, place: int, reading: Kept, prepared: Prepared, rows: list[Row]) -> None:
        """Add a reading with its flag, and before it its forerunner where that is revised now."""
        now, revised = self._flagger.take(sensor, reading, prepared.flags)
        if revised is not None:
            prepared.revises = True
            rows.append((place, *revised))
        if now is not None:
            rows.append((place, *now))

    def _rows_of(self, message: Message, names: dict[str, int], prepared: Prepared) -> Sequence[Row]:
        """Return a message's readings as rows, and note in ``prepared`` what else is to be done about it."""
        found = message.given or self._decoded(message, prepared)
        if found is None:
            return ()
        arrived_s = message.arrived_at.timestamp()
        faults = list(found.faults)
        clocks = [self._wrong_clock(each, arrived_s) for each in found.values]
        kept = list(zip(found.values, clocks, strict=True))
        if not found.keeps_times:
            kept = self._fresh(message, kept, prepared)
        newest_wrong_s = max((each.at_s for each, wrong in kept if wrong), default=0.0)
        rows: list[Row] = []
        for each, wrong in kept:
            at_ms = _instant_ms(each, message, newest_wrong_s if wrong and not found.keeps_times else None)
            corrected = self._calibrate(each.sensor, each.value, at_ms)
            judged = judge_value(each.sensor, corrected)
            if judged is None:
                faults.append(f"the value of sensor {each.sensor.id} is no finite number")
                continue
            value, flag, doubt = judged
            if corrected != each.value:
                raw = names.setdefault(each.sensor.id + RAW, len(names))
                rows.append((raw, at_ms, each.value, int(Flag.NOT_EVALUATED), 0))
            odd = int(doubt) | int(wrong) | (_ARRIVAL if each.time_s is None else 0)  # ints: enums are slow here
            place = names.setdefault(each.sensor.id, len(names))
            self._flag(each.sensor, place, Kept(at_ms, value, int(flag), odd), prepared, rows)
        if faults:
            prepared.aside.append((message, "; ".join(faults)))
        return rows

    def _decoded(self, message: Message, prepared: Prepared) -> Decoding | None:
        """Return what a message says to the sensors of its topic; None where no sensor claims it, which is noted."""
        sensors = self.routes.of(message.topic)
        if sensors:
            return decode_each(message.payload, sensors, topic=message.topic, arrived_s=message.arrived_at.timestamp())
        prepared.dropped.update((UNCLAIMED,))
        prepared.unclaimed[message.topic] = message.payload[:_UNCLAIMED_SHOWN]
        prepared.unclaimed.move_to_end(message.topic)
        return None

    def _wrong_clock(self, decoded: Decoded, arrived_s: float) -> Doubt:
        """Return what is wrong with a device's clock, if anything."""
        if decoded.at_s > arrived_s + CLOCK_TOLERANCE_S:
            return Doubt.CLOCK_AHEAD
        return Doubt.CLOCK_BEHIND if decoded.at_s < self._records_from_s else Doubt.NONE

    def _fresh(
        self, message: Message, values: list[tuple[Decoded, Doubt]], prepared: Prepared
    ) -> list[tuple[Decoded, Doubt]]:
        """Return what a message says, less the values that have no time to go by and are old ones come again."""
        timed = [(each, wrong) for each, wrong in values if each.time_s is not None and not wrong]
        if len(timed) == len(values):
            return values
        if message.retained:
            prepared.dropped["retained message without a time"] += 1
            return timed
        if message.duplicate and self._is_stored(message, [each for each, _ in values], prepared):
            prepared.dropped["message without a time handed over twice"] += 1
            return timed
        prepared.untimed[message.topic] = message.payload
        return values

    def _is_stored(self, message: Message, values: Sequence[Decoded], prepared: Prepared) -> bool:
        """Tell whether a message handed over again equals the last one of its topic, also over a restart."""
        known = prepared.untimed.get(message.topic, self._untimed.get(message.topic))
        if known is not None:
            return known == message.payload
        stored = self._latest([each.sensor.id for each in values])
        for each in values:
            at_ms = to_ms(message.arrived_at)
            judged = judge_value(each.sensor, self._calibrate(each.sensor, each.value, at_ms))
            newest = stored.get(each.sensor.id)
            if newest is None or judged is None or newest.value != judged[0]:
                return False
        return True


def _instant_ms(decoded: Decoded, message: Message, newest_wrong_s: float | None) -> int:
    """Return a reading's instant: its own, or that of arrival where it has none or its clock is wrong.

    Args:
        decoded: The reading.
        message: What it came in.
        newest_wrong_s: Where its clock is wrong: the newest such time in the message, which becomes that of
            arrival, and the others keep their distance to it. [s since 1970]
    """
    arrived_ms = to_ms(message.arrived_at)
    if newest_wrong_s is not None:
        before_s = newest_wrong_s - decoded.at_s
        return arrived_ms - round(before_s * 1000) if before_s <= _SPACING_KEPT_S else arrived_ms
    if decoded.time_s is None:
        return arrived_ms + round((decoded.at_s - message.arrived_at.timestamp()) * 1000)
    return round(decoded.time_s * 1000)
