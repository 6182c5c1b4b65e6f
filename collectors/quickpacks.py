"""SenML packs of the usual form, read without an object a record: which record feeds which sensor is worked out once.

A pack has the usual form where its records have numbers, and names and units that were seen before on its topic. Any
other, and any that is odd in some way, is left to collectors/decode.py, which says what is wrong with it; what both
read is the same (tests/collectors/test_quickpacks.py holds them side by side). Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import msgspec

from collectors.decode import records_by_sensor
from collectors.senml import RELATIVE_BELOW
from monitor.errors import PayloadError, UnitError
from monitor.farm import Sensor

_REMEMBERED = 20_000
_SIGNATURES = 200_000
"""Records of all remembered packs together: what is remembered stays within some tens of megabytes."""
_NO_UNIT, _BETWEEN, _BEFORE_TOPIC = "\x1d", "\x1e", "\x1f"
_ESCAPED = b"\\u001"
"""A pack's form is one text of names, units and topic; what parts them can be in a pack as such an escape only."""


class _Record(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A record that has a number; any other field makes the pack an unusual one."""

    v: float
    n: str = ""
    u: str | None = None
    t: float = 0.0
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


class Take(NamedTuple):
    """Which record a sensor takes, and how: stored value = factor * value + offset, beyond doubt from low to high.

    Its number is that by which the flagger knows it; None: it judges it by its value alone.
    """

    place: int
    sensor: Sensor
    name: str
    factor: float
    offset: float
    low: float
    high: float
    number: int | None


class Quick(NamedTuple):
    """A pack that was read: what is taken of it, and the numbers and times of its records. [s since 1970]."""

    takes: Sequence[Take]
    values: Sequence[float]
    times_s: Sequence[float]


_decode = msgspec.json.Decoder(list[_Record]).decode


class QuickPacks:
    """Reads packs of the usual form."""

    def __init__(
        self,
        sensors_of: Callable[[str], Sequence[Sensor]],
        sure: Callable[[Sensor], tuple[float, float]],
        number_of: Callable[[Sensor], int | None] = lambda _sensor: None,
    ) -> None:
        """Take which sensors a topic feeds, the span of a sensor's values that are beyond doubt, and its number."""
        self._sensors_of, self._sure, self._number_of = sensors_of, sure, number_of
        self._known: dict[str, tuple[Take, ...] | None] = {}
        self._records = 0

    def read(self, topic: str, payload: bytes, oldest_s: float, newest_s: float) -> Quick | None:
        """Return what a pack says to the sensors of its topic; None where it is none of the usual form.

        Args:
            topic: Its topic.
            payload: As it came.
            oldest_s: Times before this are a wrong clock's. [s since 1970]
            newest_s: Times after this are. [s since 1970]
        """
        if payload[:1] != b"[" or _ESCAPED in payload:
            return None
        try:
            records = _decode(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            return None
        name, base_s, unit = "", 0.0, _NO_UNIT
        form: list[str] = []
        times: list[float] = []
        for record in records:
            if record.bn is not None:
                name = record.bn
            if record.bt is not None:
                base_s = record.bt
            if record.bu is not None:
                unit = record.bu
            form += (name, record.n, unit if record.u is None else record.u)
            times.append(base_s + record.t)
        values = [record.v for record in records]
        # a sum that is no number is that of a value that is none, or of values that are very far from usual
        if not times or not max(oldest_s, RELATIVE_BELOW) <= min(times) <= max(times) <= newest_s:
            return None
        if not math.isfinite(sum(values)):
            return None
        key = _BETWEEN.join(form) + _BEFORE_TOPIC + topic
        takes = self._known[key] if key in self._known else self._worked_out(key, topic, payload, len(records))
        return None if takes is None else Quick(takes, values, times)

    def _worked_out(self, key: str, topic: str, payload: bytes, count: int) -> tuple[Take, ...] | None:
        """Return what sensors take of packs like this one, and remember it; None where something is odd about them."""
        try:
            taken = records_by_sensor(payload, self._sensors_of(topic))
        except (PayloadError, UnitError):
            taken = []
        takes = tuple(
            Take(place, sensor, sensor.id, factor, offset, *self._sure(sensor), self._number_of(sensor))
            for sensor, place, factor, offset in taken
        )
        if len(self._known) >= _REMEMBERED or self._records + count > _SIGNATURES:
            self._known.clear()
            self._records = 0
        self._known[key] = takes or None
        self._records += count
        return takes or None
