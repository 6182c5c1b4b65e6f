"""Modbus lines, TCP and RTU: each read at its interval by a thread of its own, what is read goes the way of MQTT's.

A transmitter holds nothing back for us: what the store cannot take just now waits here, bounded, and the oldest is
kept. A transmitter that does not answer costs its own values only.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from collectors.decode import Decoded, Decoding
from collectors.intake import Intake
from collectors.pipeline import Message
from collectors.registers import REFUSALS, Span, decoded, spans, words_of
from monitor.clock import Clock
from monitor.errors import FeedError, StoreError, UnitError
from monitor.farm import Sensor
from monitor.feeds import ModbusLine, Register

log = logging.getLogger(__name__)

_HELD = 10_000
_PARITY = {"none": "N", "even": "E", "odd": "O"}
TOPIC = "modbus/"


class Line:
    """One open Modbus connection."""

    def __init__(self, settings: ModbusLine) -> None:
        """Take how to reach it; nothing is opened yet."""
        from pymodbus import FramerType
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        patience_s = settings.patience.total_seconds()
        self.settings = settings
        self._client: Any
        if settings.host is not None:
            self._client = ModbusTcpClient(settings.host, port=settings.port, timeout=patience_s, retries=1)
        else:
            self._client = ModbusSerialClient(
                settings.serial or "",
                framer=FramerType.RTU,
                baudrate=settings.baud,
                parity=_PARITY[settings.parity],
                stopbits=settings.stop_bits,
                timeout=patience_s,
                retries=1,
            )

    @property
    def where(self) -> str:
        """Return what it is, for a message."""
        tcp = self.settings.host is not None
        there = f"{self.settings.host}:{self.settings.port}" if tcp else str(self.settings.serial)
        return f"Modbus line {self.settings.id} ({there})"

    def connect(self) -> None:
        """Open the connection, unless it is open.

        Raises:
            FeedError: Nobody is there.
        """
        from pymodbus.exceptions import ModbusException

        try:
            if self._client.connected or self._client.connect():
                return
        except (ModbusException, OSError) as exc:
            raise FeedError(f"{self.where} cannot be opened: {exc}") from exc
        raise FeedError(f"{self.where} cannot be opened; is it powered and plugged in, and is the address right?")

    def read(self, span: Span) -> Sequence[int]:
        """Return the 16-bit words of a span.

        Raises:
            FeedError: No answer, or a refusal; says which registers and what may be wrong.
        """
        from pymodbus.exceptions import ModbusException

        ask = self._client.read_input_registers if span.table == "input" else self._client.read_holding_registers
        try:
            answer = ask(span.address, count=span.count, device_id=span.device)
        except (ModbusException, OSError) as exc:
            self._client.close()  # half an answer that comes late must not be taken for the next one
            raise FeedError(f"{self.where}, {span}: no answer ({exc}); see wiring, unit id, speed and parity") from exc
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            raise FeedError(f"{self.where}, {span}: refused with code {code}: {REFUSALS.get(code, 'not a known code')}")
        words: Sequence[int] = answer.registers
        if len(words) < span.count:
            raise FeedError(f"{self.where}, {span}: the answer has {len(words)} registers only")
        return words

    def close(self) -> None:
        """Let go of it; it may be opened again."""
        self._client.close()


class ModbusCollector:
    """Reads the registers of one line, at its interval, until stopped."""

    def __init__(
        self,
        settings: ModbusLine,
        registers: Sequence[Register],
        sensors: Mapping[str, Sensor],
        intake: Intake,
        *,
        clock: Clock,
        room: int = _HELD,
    ) -> None:
        """Take a line, its registers, the farm's sensors, and where readings go.

        Args:
            settings: The line.
            registers: The register map; those of other lines are passed over.
            sensors: By id.
            intake: Stores what is read.
            clock: Instants of measuring.
            room: How many requests' answers may wait while the store cannot take them.
        """
        self.name = settings.id
        self.line = Line(settings)
        self._spans = spans(each for each in registers if each.line == settings.id)
        self._sensors, self._intake, self._clock, self._room = sensors, intake, clock, room
        self._waiting: deque[Message] = deque()
        self._troubles: dict[str, str] = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.lost = 0
        """Answers that were let go since too many waited for the store."""

    @property
    def trouble(self) -> str | None:
        """Return what is wrong with the line, its transmitters or the store; None: nothing."""
        return "; ".join(self._troubles.values()) or None

    def start(self) -> None:
        """Read until stopped, in a thread."""
        self._thread = threading.Thread(target=self._run, name=f"modbus-{self.name}", daemon=True)
        self._thread.start()

    def stop(self, within: timedelta = timedelta(seconds=10)) -> None:
        """End the thread and close the line; what waits for the store is tried once more."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(within.total_seconds())
        self._hand_over()
        self.line.close()

    def _run(self) -> None:
        """Read at the interval; a read that takes longer than it begins the next at once."""
        every_s = self.line.settings.every.total_seconds()
        due_s = time.monotonic()
        while not self._stopping.is_set():
            try:
                self.poll()
            except Exception:
                log.exception("modbus.unexpected line=%s", self.name)
            due_s = max(due_s + every_s, time.monotonic())
            self._stopping.wait(max(due_s - time.monotonic(), 0.0))

    def poll(self) -> int:
        """Read all registers once and store what they say; return how many readings that were."""
        found = self._read_all()
        for message in found:
            if len(self._waiting) >= self._room:
                self.lost += 1
                log.warning("modbus.let_go line=%s lost=%s why=the store takes nothing", self.name, self.lost)
            else:
                self._waiting.append(message)
        self._hand_over()
        return sum(len(message.given.values) for message in found if message.given is not None)

    def _read_all(self) -> list[Message]:
        """Return what each request brought, one message each."""
        try:
            self.line.connect()
        except FeedError as exc:
            self._note("line", str(exc))
            return []
        self._note("line", None)
        found = []
        for span in self._spans:
            try:
                words = self.line.read(span)
            except FeedError as exc:
                self._note(str(span), str(exc))
                if self._stopping.is_set():
                    break
                continue
            self._note(str(span), None)
            found.append(self._message(span, words))
        return found

    def _message(self, span: Span, words: Sequence[int]) -> Message:
        """Return what a request brought, as measured now."""
        now = self._clock()
        values: list[Decoded] = []
        faults: list[str] = []
        for register in span.registers:
            try:
                own = words_of(register, span, words)
                value = decoded(register, self._sensors[register.sensor], own, at_s=now.timestamp())
            except UnitError as exc:
                faults.append(str(exc))
                continue
            self._note(register.sensor, None if value else f"{register.sensor}: the transmitter says it has no value")
            if value is not None:
                values.append(value)
        payload = json.dumps({"unit": span.device, span.table: {"address": span.address, "words": list(words)}})
        return Message(f"{TOPIC}{self.name}", payload.encode(), now, given=Decoding(values, faults))

    def _hand_over(self) -> None:
        """Store what waits; what cannot be stored now waits on."""
        if not self._waiting:
            return
        messages = list(self._waiting)
        try:
            self._intake.take(messages)
        except StoreError as exc:
            self._note("store", str(exc))
            return
        self._note("store", None)
        for _ in messages:
            self._waiting.popleft()

    def _note(self, what: str, trouble: str | None) -> None:
        """Keep what is wrong, and say each change of it once."""
        known = self._troubles.get(what)
        if trouble is None:
            if self._troubles.pop(what, None) is not None:
                log.info("modbus.well_again line=%s what=%s", self.name, what)
            return
        if known is None:
            log.warning("modbus.trouble line=%s why=%s", self.name, trouble)
        self._troubles[what] = trouble
