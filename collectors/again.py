"""What could not be read, tried again by farm.toml as it is now: the way of every message, by its own time of arrival.

A reading that is stored already is left as it is, so that nothing is done twice and nothing newer is overwritten.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from collectors.asidefiles import FilesAgain
from collectors.decode import Decoding
from collectors.late import by_time, flagged_late, not_stored
from collectors.modbus import TOPIC as MODBUS
from collectors.pipeline import UNCLAIMED, Calibrate, Message, Pipeline
from collectors.registers import decoded
from monitor.errors import RejectedRowsError, UnitError
from monitor.farm import Farm
from monitor.feeds import WIDTH
from monitor.readings import Block, to_ms
from monitor.stores.lineread import reading_of_line
from monitor.stores.protocol import ReadingStore
from monitor.unflagged import ByValue
from monitor.unread import KEPT_BY_BROKER, Unread

NOBODY = "no sensor of farm.toml has this topic"
_WHY = {UNCLAIMED: NOBODY}


@dataclass(slots=True, kw_only=True)
class Tried:
    """What came of another try.

    Attributes:
        read: What could be read wholly, and is stored now.
        still: What could not, with what is wrong with it now.
        stored: How many readings were stored.
        known: How many of them were stored before.
    """

    read: list[Unread] = field(default_factory=list)
    still: list[Unread] = field(default_factory=list)
    stored: int = 0
    known: int = 0


class Again:
    """Tries messages again that could not be read."""

    def __init__(self, farm: Farm, store: ReadingStore, *, calibrate: Calibrate, files: FilesAgain) -> None:
        """Take the farm as it is now, where readings are kept, the calibration of their day, and the watched files."""
        self._farm, self._store, self._files = farm, store, files
        self._pipeline = Pipeline(
            farm, quarantine=lambda *_: None, latest=store.latest, calibrate=calibrate, flags=ByValue()
        )

    def read(self, unread: Sequence[Unread]) -> Tried:
        """Store what can be read now; when this returns, all that ``read`` lists is on disk.

        Args:
            unread: What is to be tried, in any order.

        Raises:
            StoreError: Readings cannot be read or stored; nothing is to be taken out of where it is kept.
        """
        tried = Tried()
        blocks: list[Block] = []
        for each in sorted(unread, key=lambda one: one.id):
            block, why = self._one(each)
            if block is not None and len(block):
                blocks.append(block)
            if why is None:
                tried.read.append(each)
            else:
                tried.still.append(replace(each, why=why))
        self._keep(Block.concat(blocks), tried)
        return tried

    def _keep(self, block: Block, tried: Tried) -> None:
        """Store readings that are not stored yet, with their flags."""
        for part in by_time(block):
            fresh = not_stored(part, self._store)
            if len(fresh):
                fresh = flagged_late(fresh, self._store, self._farm)
                self._store.append(fresh)
            tried.stored += len(fresh)
            tried.known += len(part) - len(fresh)

    def _one(self, unread: Unread) -> tuple[Block | None, str | None]:
        """Return (what a message says, why it still cannot be read wholly or None)."""
        given, why = self._given(unread)
        if why is not None:
            return None, why
        retained = unread.why.endswith(KEPT_BY_BROKER)
        message = Message(unread.topic, unread.payload, unread.arrived_at, retained=retained, given=given)
        prepared = self._pipeline.prepare([message])
        faults = [fault for _, fault in prepared.aside]
        faults += [_WHY.get(reason, reason) for reason in prepared.dropped]
        mark = KEPT_BY_BROKER if retained else ""
        return prepared.block, f"{'; '.join(faults)}{mark}" if faults else None

    def _given(self, unread: Unread) -> tuple[Decoding | None, str | None]:
        """Return (what its collector makes of it, why it makes nothing of it); neither: it is a message as it came."""
        line = unread.topic.removeprefix(MODBUS)
        if line != unread.topic and line in self._farm.feeds.lines:
            return self._registers(unread, line)
        is_claimed = bool(self._pipeline.routes.of(unread.topic))
        return self._files.decoding(unread) if self._files.is_file(unread, is_claimed=is_claimed) else (None, None)

    def _registers(self, unread: Unread, line: str) -> tuple[Decoding | None, str | None]:
        """Return what the words that a Modbus transmitter gave mean by the register map as it is now."""
        try:
            said = json.loads(unread.payload)
            device, table = said["unit"], next(name for name in ("input", "holding") if name in said)
            first, words = int(said[table]["address"]), list(said[table]["words"])
        except (ValueError, KeyError, TypeError, StopIteration):
            return None, unread.why
        found = Decoding([], [])
        own = [
            each for each in self._farm.feeds.registers if (each.line, each.device, each.table) == (line, device, table)
        ]
        within = [
            each for each in own if first <= each.address and each.address + WIDTH[each.type] <= first + len(words)
        ]
        for register in within:
            start = register.address - first
            its_words = words[start : start + WIDTH[register.type]]
            sensor = self._farm.sensors[register.sensor]
            try:
                value = decoded(register, sensor, its_words, at_s=unread.arrived_at.timestamp())
            except (UnitError, struct.error) as exc:
                found.faults.append(str(exc))
                continue
            if value is not None:
                found.values.append(value)
        if not within:
            where = f"unit {device}, {table} registers {first} to {first + len(words) - 1}"
            return None, f"no [[register]] of line {line} in farm.toml stands in {where}"
        return found, None


def sent_again(refused: Sequence[Unread], store: ReadingStore, append: Callable[[Block], None]) -> Tried:
    """Store rows that an InfluxDB refused, where they are not stored by now; what it refuses again stays refused.

    Args:
        refused: The rows.
        store: Where readings are looked for.
        append: Stores a block; raises RejectedRowsError with what is refused.

    Raises:
        StoreError: They cannot be looked for or stored now; nothing is to be taken out of where it is kept.
    """
    tried = Tried()
    readings = [(each, reading_of_line(each.payload.decode("utf-8", "replace"))) for each in refused]
    known = [(each, reading) for each, reading in readings if reading is not None]
    again: dict[tuple[str, int], str] = {}
    for part in by_time(Block.from_readings([reading for _, reading in known])):
        fresh = not_stored(part, store)
        try:
            append(fresh)
        except RejectedRowsError as exc:
            rows = [(reading_of_line(row), why) for row, why in exc.rows]
            again |= {(row.sensor, to_ms(row.measured_at)): why for row, why in rows if row is not None}
        tried.stored += len(fresh)
        tried.known += len(part) - len(fresh)
    for each, reading in readings:
        key = None if reading is None else (reading.sensor, to_ms(reading.measured_at))
        if key is None or key in again:
            tried.still.append(replace(each, why=again[key]) if key in again else each)
        else:
            tried.read.append(each)
    tried.stored -= len(again)
    return tried
