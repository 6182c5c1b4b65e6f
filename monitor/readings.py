"""What a reading is: one measured value, alone at the edges, in blocks of arrays on the way to the store."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import IntEnum, IntFlag, StrEnum

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ShapeError

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Quantity(StrEnum):
    """What is measured; each has one unit in which it is stored."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    LIGHT = "light"
    PPFD = "ppfd"
    WEIGHT = "weight"
    BATTERY = "battery"


STORED_UNIT: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "degC",
    Quantity.HUMIDITY: "%RH",
    Quantity.LIGHT: "lx",
    Quantity.PPFD: "umol m-2 s-1",
    Quantity.WEIGHT: "g",
    Quantity.BATTERY: "%",
}


class Flag(IntEnum):
    """How far a reading can be trusted. Source: [QARTOD-FLAGS] primary flags."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


FLAG_PRECEDENCE: tuple[Flag, ...] = (
    Flag.MISSING,
    Flag.NOT_EVALUATED,
    Flag.PASS,
    Flag.SUSPECT,
    Flag.FAIL,
)
"""Lowest to highest: where several tests speak, the highest wins. Source: [IOOS-QC] roll-up."""


USABLE = frozenset((Flag.PASS, Flag.NOT_EVALUATED))
"""Flags of readings on which findings may be judged."""


class Doubt(IntFlag):
    """What is odd about a reading beside its flag; several may hold at once."""

    NONE = 0
    ARRIVAL_TIME = 1  # the payload had no time: the instant is that of arrival
    CLOCK_AHEAD = 2  # the device's clock was more than five minutes ahead: arrival time used
    CLOCK_BEHIND = 4  # the device's time lay before records_from: arrival time used
    CLAMPED = 8  # a humidity of 100-102 % was taken as 100
    OUT_OF_SPAN = 16  # outside what such a sensor can measure
    SPIKE = 32  # it stood off both its neighbours
    DISAGREES = 64  # its sensor has gone from its neighbours
    LAMP_WARMED = 128  # its sensor shows the lamp's heat
    UNSURE = 256  # with DISAGREES: it may be right all the same: its only neighbour is wrong, or a pile heats up


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value.

    Attributes:
        sensor: The sensor's id in farm.toml; one sensor is one series.
        measured_at: Aware UTC instant, kept to the millisecond.
        value: In the stored unit of the sensor's quantity.
        flag: Quality flag.
        doubt: What is odd about it.
    """

    sensor: str
    measured_at: datetime
    value: float
    flag: Flag = Flag.NOT_EVALUATED
    doubt: Doubt = Doubt.NONE


def to_ms(instant: datetime) -> int:
    """Return an aware instant as whole milliseconds since 1970 (UTC), halves to even."""
    return round((instant - _EPOCH) / timedelta(milliseconds=1))


def from_ms(milliseconds: int) -> datetime:
    """Return the UTC instant of whole milliseconds since 1970."""
    return _EPOCH + timedelta(milliseconds=int(milliseconds))


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Many readings as arrays of one length n, as they travel from the decoder to the store.

    Attributes:
        sensors: Names that ``sensor_index`` points into.
        sensor_index: Shape (n,), int32.
        measured_at_ms: Shape (n,), int64. [ms since 1970 UTC]
        value: Shape (n,), float64. [stored unit of the sensor's quantity]
        flag: Shape (n,), int8, values of Flag.
        doubt: Shape (n,), int16, bits of Doubt.
    """

    sensors: tuple[str, ...]
    sensor_index: NDArray[np.int32]
    measured_at_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int8]
    doubt: NDArray[np.int16]

    def __post_init__(self) -> None:
        """Refuse arrays of different lengths."""
        lengths = {
            "sensor_index": self.sensor_index.shape,
            "measured_at_ms": self.measured_at_ms.shape,
            "value": self.value.shape,
            "flag": self.flag.shape,
            "doubt": self.doubt.shape,
        }
        if len(set(lengths.values())) != 1:
            raise ShapeError(f"the columns of a block differ in shape: {lengths}; give each the same length")

    def __len__(self) -> int:
        """Return the number of readings."""
        return int(self.value.shape[0])

    @staticmethod
    def from_readings(readings: Iterable[Reading]) -> Block:
        """Return the readings as one block, in their order."""
        rows = list(readings)
        names = tuple(dict.fromkeys(row.sensor for row in rows))
        place = {name: index for index, name in enumerate(names)}
        return Block.from_rows(
            names,
            [(place[row.sensor], to_ms(row.measured_at), row.value, int(row.flag), int(row.doubt)) for row in rows],
        )

    @staticmethod
    def from_rows(sensors: tuple[str, ...], rows: Sequence[tuple[int, int, float, int, int]]) -> Block:
        """Return rows of (index into ``sensors``, ms, value, flag, doubt) as one block, in their order."""
        index, at_ms, value, flag, doubt = zip(*rows, strict=True) if rows else ((), (), (), (), ())
        return Block(
            sensors=sensors,
            sensor_index=np.array(index, dtype=np.int32),
            measured_at_ms=np.array(at_ms, dtype=np.int64),
            value=np.array(value, dtype=np.float64),
            flag=np.array(flag, dtype=np.int8),
            doubt=np.array(doubt, dtype=np.int16),
        )

    def rows(self, rows: NDArray[np.intp] | slice) -> Block:
        """Return some rows of the block, in the order asked for."""
        return Block(
            sensors=self.sensors,
            sensor_index=self.sensor_index[rows],
            measured_at_ms=self.measured_at_ms[rows],
            value=self.value[rows],
            flag=self.flag[rows],
            doubt=self.doubt[rows],
        )

    def instants(self) -> Iterator[tuple[str, int]]:
        """Yield sensor and instant of each reading, in their order. [ms since 1970 UTC]."""
        names = (self.sensors[index] for index in self.sensor_index.tolist())
        return zip(names, self.measured_at_ms.tolist(), strict=True)

    def plain(self) -> zip[tuple[int, int, float, int, int]]:
        """Return the rows as plain numbers, in their order: index into ``sensors``, ms, value, flag, doubt."""
        return zip(
            self.sensor_index.tolist(),
            self.measured_at_ms.tolist(),
            self.value.tolist(),
            self.flag.tolist(),
            self.doubt.tolist(),
            strict=True,
        )

    def readings(self) -> list[Reading]:
        """Return the block as single readings, in its order."""
        return [
            Reading(
                sensor=self.sensors[index],
                measured_at=from_ms(at_ms),
                value=value,
                flag=Flag(flag),
                doubt=Doubt(doubt),
            )
            for index, at_ms, value, flag, doubt in self.plain()
        ]

    @staticmethod
    def concat(blocks: Sequence[Block]) -> Block:
        """Return several blocks as one, in order."""
        if not blocks:
            return Block.from_readings(())
        if len(blocks) == 1:
            return blocks[0]
        names = tuple(dict.fromkeys(name for block in blocks for name in block.sensors))
        place = {name: index for index, name in enumerate(names)}
        moved = []
        for block in blocks:
            lookup = np.array([place[name] for name in block.sensors], dtype=np.int32)
            moved.append(lookup[block.sensor_index] if len(block) else block.sensor_index)
        return replace(
            blocks[0],
            sensors=names,
            sensor_index=np.concatenate(moved).astype(np.int32),
            measured_at_ms=np.concatenate([block.measured_at_ms for block in blocks]),
            value=np.concatenate([block.value for block in blocks]),
            flag=np.concatenate([block.flag for block in blocks]),
            doubt=np.concatenate([block.doubt for block in blocks]),
        )
