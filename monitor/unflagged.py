"""Readings that somebody else flags by what came before them: only what their value alone says is said here; pure."""

from __future__ import annotations

from typing import Protocol

from monitor.farm import Sensor
from monitor.flagger import Pending
from monitor.flagging import LIMITS, Kept
from monitor.readings import Block, Flag

_PASS, _NOT_EVALUATED = int(Flag.PASS), int(Flag.NOT_EVALUATED)


class Flags(Protocol):
    """What flags readings as they come; see monitor.flagger.Flagger."""

    def number(self, sensor: Sensor) -> int | None:
        """Return by which number a sensor is known to ``passes``; None: it is judged by its value alone."""
        ...

    def passes(self, number: int, at_ms: int, value: float, pending: Pending) -> bool:
        """Tell whether ``take`` would return a reading as it is, and nothing revised; it is remembered then."""
        ...

    def take(self, sensor: Sensor, reading: Kept, pending: Pending) -> tuple[Kept | None, Kept | None]:
        """Return a reading with its provisional flag, and its forerunner where that is revised now."""
        ...

    def settle(self, pending: Pending) -> None:
        """Remember what some readings left behind."""
        ...

    def remember(self, block: Block) -> None:
        """Take in readings of the store."""
        ...


class ByValue:
    """Judges a reading by its value alone, and remembers nothing."""

    def number(self, _sensor: Sensor) -> int | None:
        """Return that every sensor is judged by its value alone."""
        return None

    def passes(self, _number: int, _at_ms: int, _value: float, _pending: Pending) -> bool:
        """Return false: nothing passes here for good."""
        return False

    def take(self, _sensor: Sensor, reading: Kept, _pending: Pending) -> tuple[Kept | None, Kept | None]:
        """Return a reading as it is."""
        return reading, None

    def settle(self, _pending: Pending) -> None:
        """Remember nothing."""

    def remember(self, _block: Block) -> None:
        """Take nothing in."""


class Unflagged(ByValue):
    """Leaves what passes by its value for who sees the whole series: one of several collectors sees a part of it.

    Source: flag 2, not evaluated, of [QARTOD-FLAGS].
    """

    def number(self, sensor: Sensor) -> int | None:
        """Return a number where somebody else flags the sensor; None: its value alone is judged anywhere."""
        return 0 if sensor.quantity in LIMITS else None

    def take(self, _sensor: Sensor, reading: Kept, _pending: Pending) -> tuple[Kept | None, Kept | None]:
        """Return a reading as one that nobody has judged yet, unless its value alone condemns it."""
        return (reading._replace(flag=_NOT_EVALUATED) if reading.flag == _PASS else reading), None
