"""Modbus registers: which to read in one request, and what the words of one mean; pure.

Source: [MODBUS-APP] sections 4.3 (tables, addresses from 0), 6.3 and 6.4 (at most 125 registers a request), 7 (codes).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from collectors.decode import Decoded
from monitor.farm import Sensor
from monitor.feeds import WIDTH, Register
from monitor.units import factor_and_offset

MOST_WORDS = 125
"""Source: [MODBUS-APP] section 6.3."""

REFUSALS = {
    1: "it does not know this function; the table is the other one, input or holding",
    2: "it has no such register; mend address (counted from 0) or table",
    3: "it does not take this number of registers; mend address or type",
    4: "it failed while doing it; see the transmitter",
    6: "it is busy",
    10: "the gateway has no way to it; see the gateway's settings",
    11: "the gateway hears nothing of it; is it powered, and is its unit id right?",
}
"""What an exception code says of itself. Source: [MODBUS-APP] section 7."""

_LETTER = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "int64": "q", "uint64": "Q",
    "float64": "d",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Neighbouring registers of one transmitter that are read in one request.

    Attributes:
        device: Unit id.
        table: Holding or input.
        address: The first, counted from 0.
        count: How many.
        registers: Whose values lie in it, by address.
    """

    device: int
    table: str
    address: int
    count: int
    registers: tuple[Register, ...]

    def __str__(self) -> str:
        """Return what is read, for a message."""
        return f"unit {self.device}, {self.table} registers {self.address} to {self.address + self.count - 1}"


def spans(registers: Iterable[Register]) -> tuple[Span, ...]:
    """Return the requests that read some registers of one line: neighbours together, a gap never bridged.

    A register that no value is known of may not exist, and would cost the whole request.
    """

    def where(register: Register) -> tuple[int, str]:
        return register.device, register.table

    found = []
    ordered = sorted(registers, key=lambda each: (*where(each), each.address))
    for _, group in groupby(ordered, key=where):
        run: list[Register] = []
        for each in group:
            if run and (each.address > _end(run) or each.address + WIDTH[each.type] - run[0].address > MOST_WORDS):
                found.append(_span(run))
                run = []
            run.append(each)
        found.append(_span(run))
    return tuple(found)


def _end(run: Sequence[Register]) -> int:
    """Return the address behind the last register of a run."""
    return max(each.address + WIDTH[each.type] for each in run)


def _span(run: Sequence[Register]) -> Span:
    """Return a run as one request."""
    first = run[0]
    return Span(
        device=first.device,
        table=first.table,
        address=first.address,
        count=_end(run) - first.address,
        registers=tuple(run),
    )


def words_of(register: Register, span: Span, words: Sequence[int]) -> Sequence[int]:
    """Return the words of one register out of those of its span."""
    start = register.address - span.address
    return words[start : start + WIDTH[register.type]]


def number_in(register: Register, words: Sequence[int]) -> float | None:
    """Return the number that some words mean; None where it means "no value".

    Args:
        register: How it is written.
        words: Its 16-bit words in the order of their addresses, each with its high byte first. [-]
    """
    ordered = words if register.word_order == "big" else tuple(reversed(words))
    (number,) = struct.unpack(f">{_LETTER[register.type]}", struct.pack(f">{len(ordered)}H", *ordered))
    return None if not math.isfinite(number) or number in register.missing else float(number)


def value_in(register: Register, sensor: Sensor, words: Sequence[int]) -> float | None:
    """Return a register's value in the sensor's stored unit; None where it means "no value".

    Raises:
        UnitError: The sensor's unit is none of its quantity.
    """
    number = number_in(register, words)
    if number is None:
        return None
    factor, offset = factor_and_offset(sensor.unit, sensor.quantity)
    scaled = float(f"{register.scale * number + register.offset:.12g}")  # 603 tenths are 60.3, not 60.300000000000004
    return factor * scaled + offset


def decoded(register: Register, sensor: Sensor, words: Sequence[int], *, at_s: float) -> Decoded | None:
    """Return a register's value as measured at ``at_s``, or None; see value_in. [s since 1970]."""
    value = value_in(register, sensor, words)
    return None if value is None else Decoded(sensor, value, at_s, at_s)
