"""What farm.toml says of the collectors beside MQTT: Modbus lines, watched folders, devices that push; values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Literal

PUSHED = "push/"
"""What the topics of pushed messages begin with; the device's id follows, then the rest of the address it posts to."""


def comes_by_broker(topic: str | None) -> bool:
    """Tell whether what has a topic is asked of a broker: what devices push over HTTP is not."""
    return bool(topic) and not str(topic).startswith(PUSHED)


WIDTH: Mapping[str, int] = {
    "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "int64": 4, "uint64": 4, "float64": 4,
}  # fmt: skip
"""How many 16-bit registers a value of a type takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusLine:
    """One Modbus connection: a TCP address, or a serial line that speaks RTU.

    Attributes:
        id: Its name.
        host: Address, for TCP; None: it is a serial line.
        port: TCP port.
        serial: Device file of the serial line, e.g. ``/dev/ttyUSB0``; None: it is TCP.
        baud: Bits a second on the serial line. [1/s]
        parity: Parity bit on it.
        stop_bits: Stop bits on it.
        every: How often its registers are read.
        patience: How long an answer may take.
    """

    id: str
    host: str | None = None
    port: int = 502
    serial: str | None = None
    baud: int = 9600
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: int = 1
    every: timedelta = timedelta(seconds=30)
    patience: timedelta = timedelta(seconds=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """Where on a Modbus line a sensor's value stands, and how it is written there.

    Attributes:
        sensor: Id of the sensor that it feeds.
        line: Id of the line.
        device: Unit id of the transmitter on that line.
        table: Holding registers (function 3) or input registers (function 4).
        address: Address of its first register as it goes over the wire, counted from 0.
        type: How its bits are read.
        word_order: Which of its 16-bit words comes first.
        scale: The value is the number read times this, plus the offset.
        offset: What is added to it, in the sensor's unit.
        missing: Numbers read that mean "no value", as the transmitter's manual has them.
    """

    sensor: str
    line: str
    address: int
    device: int = 1
    table: Literal["holding", "input"] = "holding"
    type: str = "int16"
    word_order: Literal["big", "little"] = "big"
    scale: float = 1.0
    offset: float = 0.0
    missing: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedFolder:
    """A folder into which loggers put CSV files.

    Attributes:
        id: Its name.
        path: The folder.
        time_column: Column with the times.
        columns: Column -> (sensor, unit or None).
        zone: Zone of times without offset; None: they must have one.
        delimiter: What parts the fields; None: found out.
        decimal: Decimal sign; None: found out.
        time_format: How times are written; None: found out.
        encoding: Text encoding; None: UTF-8, or what a byte order mark says.
        skip_lines: Lines before the header.
        settle: A file is read once nothing was written to it for so long.
    """

    id: str
    path: Path
    time_column: str
    columns: Mapping[str, tuple[str, str | None]]
    zone: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    time_format: str | None = None
    encoding: str | None = None
    skip_lines: int = 0
    settle: timedelta = timedelta(seconds=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device that pushes its readings over HTTP.

    Attributes:
        id: Its name; its messages have the topic ``push/`` and this.
        token_file: File that holds its token, or None.
        token_env: Environment variable that holds it, or None.
        per_minute: How many requests a minute it may make.
    """

    id: str
    token_file: Path | None = None
    token_env: str | None = None
    per_minute: int = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeds:
    """All of them.

    Attributes:
        lines: Modbus lines by id.
        registers: Their registers, one a sensor.
        folders: Watched folders by id.
        devices: Devices that push, by id.
    """

    lines: Mapping[str, ModbusLine] = field(default_factory=dict)
    registers: tuple[Register, ...] = ()
    folders: Mapping[str, WatchedFolder] = field(default_factory=dict)
    devices: Mapping[str, Device] = field(default_factory=dict)
