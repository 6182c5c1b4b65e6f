"""What a payload says: which sensor, which value in its stored unit, at which time; pure.

Three forms are read: a SenML pack (a JSON array), a plain number, and any JSON object through the pointers
of farm.toml (RFC 6901). A value that cannot be read does not cost the payload's other values.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import msgspec
from jsonpointer import JsonPointer, JsonPointerException

from collectors.senml import Record, resolve
from collectors.stamps import seconds_of
from monitor.errors import PayloadError, UnitError
from monitor.farm import Sensor
from monitor.units import factor_and_offset

_AMBIGUOUS = "%"  # a ratio from 0 to 1 in [RFC8428] table 1, a percentage to most who write it

_any_json = msgspec.json.Decoder().decode
_pointer = lru_cache(maxsize=1024)(JsonPointer)


@dataclass(frozen=True, slots=True)
class Decoded:
    """One value out of a payload.

    Attributes:
        sensor: Whose it is.
        value: In the stored unit.
        time_s: As the payload has it; None where its sender knows no time of its own. [s since 1970]
        at_s: The same, else the arrival, with SenML's seconds before or after it. [s since 1970]
    """

    sensor: Sensor
    value: float
    time_s: float | None
    at_s: float


@dataclass(frozen=True, slots=True)
class Decoding:
    """All that one payload says.

    Attributes:
        values: What could be read.
        faults: What could not, each with how it should look.
        keeps_times: Its times are never replaced by that of arrival: it comes out of a file, days late.
    """

    values: list[Decoded]
    faults: list[str]
    keeps_times: bool = False


def decode(payload: bytes, sensors: Sequence[Sensor], *, topic: str, arrived_s: float) -> list[Decoded]:
    """Return what a payload says to the sensors of its topic, if all of it can be read; see decode_each.

    Raises:
        PayloadError: Some of it cannot be read; says what is wrong and how it should look.
    """
    found = decode_each(payload, sensors, topic=topic, arrived_s=arrived_s)
    if found.faults:
        raise PayloadError("; ".join(found.faults))
    return found.values


def decode_each(payload: bytes, sensors: Sequence[Sensor], *, topic: str, arrived_s: float) -> Decoding:
    """Return what a payload says to the sensors of its topic, and what of it cannot be read; raises nothing.

    Args:
        payload: As it came.
        sensors: The sensors that the topic feeds.
        topic: For messages about it.
        arrived_s: When it came, for what has no time of its own. [s since 1970]
    """
    values: list[Decoded] = []
    faults: list[str] = []
    try:
        form = _form_of(payload, sensors, arrived_s)
        for sensor in sensors:
            try:
                values.extend(form.values(sensor))
            except (PayloadError, UnitError) as exc:
                faults.append(f"{topic}: {exc}")
        if not values and not faults:
            raise PayloadError(form.nothing())
    except PayloadError as exc:
        faults.append(f"{topic}: {exc}")
    return Decoding(values, faults)


class _Form(Protocol):
    """A payload taken apart."""

    def values(self, sensor: Sensor) -> Iterable[Decoded]:
        """Return what it says to a sensor; raises PayloadError or UnitError."""
        ...

    def nothing(self) -> str:
        """Return why no sensor took anything."""
        ...


def _form_of(payload: bytes, sensors: Sequence[Sensor], arrived_s: float) -> _Form:
    """Return a payload taken apart, in the form that its first letter tells."""
    start = payload.lstrip()[:1]
    if start == b"[":
        return _Pack(payload, arrived_s)
    if start == b"{":
        return _Object(payload, sensors, arrived_s)
    return _Number(payload, sensors, arrived_s)


def records_by_sensor(payload: bytes, sensors: Sequence[Sensor]) -> list[tuple[Sensor, int, float, float]]:
    """Return what sensors take of a pack: (sensor, place of the record among those with a number, factor, offset).

    It depends on names and units alone, so it holds for every pack that has the same.

    Raises:
        PayloadError: It is no pack, or a sensor could take any of several records.
        UnitError: A record's unit is none of its sensor's.
    """
    pack = _Pack(payload, 0.0)
    return [
        (sensor, place, *_conversion(sensor, record))
        for sensor in sensors
        if sensor.pointer is None
        for place, record in pack.placed(sensor)
    ]


class _Pack:
    """A SenML pack; each sensor takes its own records."""

    def __init__(self, payload: bytes, arrived_s: float) -> None:
        """Resolve the records; texts and truth values among them are for nobody here."""
        self._records = [record for record in resolve(payload) if record.value is not None]
        self._arrived_s = arrived_s

    def values(self, sensor: Sensor) -> Iterator[Decoded]:
        """Yield what the pack says to a sensor."""
        if sensor.pointer is not None:
            return
        for record in self._records_of(sensor):
            factor, offset = _conversion(sensor, record)
            at_s = record.absolute_s(self._arrived_s)
            value = factor * (record.value or 0.0) + offset
            yield Decoded(sensor, value, None if record.is_relative else at_s, at_s)

    def placed(self, sensor: Sensor) -> list[tuple[int, Record]]:
        """Return the records that a sensor takes, each with its place."""
        taken = {id(record) for record in self._records_of(sensor)}
        return [(place, record) for place, record in enumerate(self._records) if id(record) in taken]

    def nothing(self) -> str:
        """Return why no sensor took anything."""
        names = ", ".join(sorted({record.name for record in self._records})) or "none with a number"
        return f"no record of this pack is one that a sensor takes; its records are: {names}"

    def _records_of(self, sensor: Sensor) -> list[Record]:
        """Return the records that a sensor takes: by name, or the only name whose unit fits."""
        if sensor.record is not None:
            return [record for record in self._records if _is_named(record.name, sensor.record)]
        fitting = [record for record in self._records if _fits_unit(sensor, record)]
        names = {record.name for record in fitting}
        if len(names) > 1:
            raise PayloadError(
                f"sensor {sensor.id} could take any of the records {', '.join(sorted(names))}; say which with "
                "record = in farm.toml"
            )
        return fitting


def _is_named(name: str, wanted: str) -> bool:
    """Tell whether a record's name is the wanted one, or ends in it after a colon or slash."""
    return name == wanted or name.endswith((f":{wanted}", f"/{wanted}"))


def _conversion(sensor: Sensor, record: Record) -> tuple[float, float]:
    """Return factor and offset of a record: by its own unit, but where that can mean two things by the sensor's."""
    if record.unit == _AMBIGUOUS and sensor.unit is None:
        raise UnitError(
            f'record {record.name} has the unit "%", which SenML takes for a ratio from 0 to 1; send "%RH", or say '
            f'what the device means: unit = "%" (0 to 100) or unit = "/" (0 to 1) for sensor {sensor.id} in farm.toml'
        )
    unit = sensor.unit if record.unit in (None, _AMBIGUOUS) else record.unit
    return factor_and_offset(unit, sensor.quantity)


def _fits_unit(sensor: Sensor, record: Record) -> bool:
    """Tell whether a record's unit is one of the sensor's quantity."""
    try:
        _conversion(sensor, record)
    except UnitError:
        return False
    return True


class _Number:
    """A plain number, for the one sensor that takes one."""

    def __init__(self, payload: bytes, sensors: Sequence[Sensor], arrived_s: float) -> None:
        """Read the number, and find whose it is."""
        try:
            said = payload.decode("ascii")
            self._number = float("" if "_" in said else said)  # Python alone reads 1_000 as a number
        except (UnicodeDecodeError, ValueError) as exc:
            raise PayloadError(
                f"{payload[:80]!r} is no number, no JSON object and no SenML pack; send e.g. 21.4 or "
                '[{"n":"air","u":"Cel","v":21.4}] (traywarden keys)'
            ) from exc
        self._taker = [sensor for sensor in sensors if sensor.pointer is None and sensor.record is None]
        if len(self._taker) != 1:
            names = ", ".join(sensor.id for sensor in sensors)
            raise PayloadError(f"a plain number can feed one sensor only, and its topic feeds {names}")
        self._arrived_s = arrived_s

    def values(self, sensor: Sensor) -> Iterator[Decoded]:
        """Yield the number to its taker."""
        if sensor in self._taker:
            factor, offset = factor_and_offset(sensor.unit, sensor.quantity)
            yield Decoded(sensor, factor * self._number + offset, None, self._arrived_s)

    def nothing(self) -> str:
        """Return why nobody took it; it always has its taker."""
        return "nobody takes this number"


class _Object:
    """A JSON object, read at the sensors' pointers; a pointer that leads nowhere says nothing."""

    def __init__(self, payload: bytes, sensors: Sequence[Sensor], arrived_s: float) -> None:
        """Read the object."""
        try:
            self._document = _any_json(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
            raise PayloadError(f"{payload[:80]!r} is no JSON: {exc}") from exc
        self._pointers = [sensor.pointer for sensor in sensors if sensor.pointer is not None]
        if not self._pointers:
            raise PayloadError(
                f"a JSON object, but no sensor of its topic says where in it the value is; add pointer = "
                f'"/..." to {", ".join(sensor.id for sensor in sensors)} in farm.toml'
            )
        self._payload, self._arrived_s = payload, arrived_s

    def values(self, sensor: Sensor) -> Iterator[Decoded]:
        """Yield what stands at a sensor's pointer."""
        said = None if sensor.pointer is None else self._at(sensor.pointer)
        if said is None:
            return
        factor, offset = factor_and_offset(sensor.unit, sensor.quantity)
        value = factor * self._number(said, sensor.pointer or "") + offset
        time = None if sensor.time_pointer is None else self._at(sensor.time_pointer)
        time_s = None if time is None else seconds_of(time, sensor.time_zone, arrived_s=self._arrived_s)
        yield Decoded(sensor, value, time_s, self._arrived_s if time_s is None else time_s)

    def nothing(self) -> str:
        """Return why no sensor took anything."""
        return (
            f"nothing at {', '.join(self._pointers)} in {self._payload[:80]!r}; mend pointer in farm.toml or the device"
        )

    def _at(self, pointer: str) -> Any:
        """Return what stands at a pointer, or None."""
        try:
            return _pointer(pointer).resolve(self._document, None)
        except (JsonPointerException, TypeError):
            return None

    def _number(self, said: Any, pointer: str) -> float:
        """Return a value as a number; a text that holds one is read too."""
        if not isinstance(said, bool) and isinstance(said, int | float | str):
            try:
                return float(said)
            except (ValueError, OverflowError):
                pass
        raise PayloadError(f"no number at {pointer!r} in {self._payload[:80]!r}, but {said!r:.80}")
