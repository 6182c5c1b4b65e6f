"""What a payload says: which sensor, which value in its stored unit, at which time; pure.

Three forms are read: a SenML pack (a JSON array), a plain number, and any JSON object through the pointers
of farm.toml (RFC 6901).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from jsonpointer import JsonPointer, JsonPointerException

from collectors.senml import Record, resolve
from monitor.errors import PayloadError, UnitError
from monitor.farm import Sensor
from monitor.units import factor_and_offset

_UNIX_MS_FROM = 1e11
"""A bare number of at least this is milliseconds since 1970, not seconds (which would be the year 5138)."""

_any_json = msgspec.json.Decoder().decode


@dataclass(frozen=True, slots=True)
class Decoded:
    """One value out of a payload.

    Attributes:
        sensor: Whose it is.
        value: In the stored unit.
        time_s: Seconds since 1970, or None where the payload has no time. [s]
    """

    sensor: Sensor
    value: float
    time_s: float | None


def decode(payload: bytes, sensors: Sequence[Sensor], *, topic: str, arrived_s: float) -> list[Decoded]:
    """Return what a payload says to the sensors of its topic.

    Args:
        payload: As it came.
        sensors: The sensors that the topic feeds.
        topic: For messages about it.
        arrived_s: When it came, for relative times. [s since 1970]

    Raises:
        PayloadError: It cannot be read; says what is wrong and how it should look.
    """
    start = payload.lstrip()[:1]
    try:
        if start == b"[":
            return _from_senml(payload, sensors, arrived_s)
        if start == b"{":
            return _from_object(payload, sensors)
        return _from_number(payload, sensors)
    except (PayloadError, UnitError) as exc:
        raise PayloadError(f"{topic}: {exc}") from exc


def _from_senml(payload: bytes, sensors: Sequence[Sensor], arrived_s: float) -> list[Decoded]:
    """Return what the records of a pack say; each sensor takes its own."""
    records = [record for record in resolve(payload) if record.value is not None]
    decoded = []
    for sensor in sensors:
        for record in _records_of(sensor, records):
            factor, offset = factor_and_offset(record.unit or sensor.unit, sensor.quantity)
            value = factor * (record.value or 0.0) + offset
            decoded.append(Decoded(sensor, value, record.absolute_s(arrived_s)))
    if not decoded:
        names = ", ".join(sorted({record.name for record in records})) or "none with a number"
        raise PayloadError(f"no record of this pack is one that a sensor takes; its records are: {names}")
    return decoded


def _is_named(name: str, wanted: str) -> bool:
    """Tell whether a record's name is the wanted one, or ends in it after a colon or slash."""
    return name == wanted or name.endswith((f":{wanted}", f"/{wanted}"))


def _fits_unit(sensor: Sensor, record: Record) -> bool:
    """Tell whether a record's unit is one of the sensor's quantity."""
    try:
        factor_and_offset(record.unit or sensor.unit, sensor.quantity)
    except UnitError:
        return False
    return True


def _records_of(sensor: Sensor, records: Sequence[Record]) -> list[Record]:
    """Return the records that a sensor takes: by name, or the only name whose unit fits."""
    if sensor.record is not None:
        return [record for record in records if _is_named(record.name, sensor.record)]
    fitting = [record for record in records if _fits_unit(sensor, record)]
    names = {record.name for record in fitting}
    if len(names) > 1:
        raise PayloadError(
            f"sensor {sensor.id} could take any of the records {', '.join(sorted(names))}; say which with record = "
            "in farm.toml"
        )
    return fitting


def _from_number(payload: bytes, sensors: Sequence[Sensor]) -> list[Decoded]:
    """Return a plain number for the one sensor that takes one."""
    try:
        number = float(payload.decode("ascii"))
    except (UnicodeDecodeError, ValueError) as exc:
        raise PayloadError(
            f"{payload[:80]!r} is no number, no JSON object and no SenML pack; send e.g. 21.4 or "
            '[{"n":"air","u":"Cel","v":21.4}] (traywarden keys)'
        ) from exc
    plain = [sensor for sensor in sensors if sensor.pointer is None and sensor.record is None]
    if len(plain) != 1:
        names = ", ".join(sensor.id for sensor in sensors)
        raise PayloadError(f"a plain number can feed one sensor only, and its topic feeds {names}")
    factor, offset = factor_and_offset(plain[0].unit, plain[0].quantity)
    return [Decoded(plain[0], factor * number + offset, None)]


def _from_object(payload: bytes, sensors: Sequence[Sensor]) -> list[Decoded]:
    """Return what a JSON object says at the sensors' pointers; a sensor whose pointer leads nowhere is left out."""
    try:
        document = _any_json(payload)
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        raise PayloadError(f"{payload[:80]!r} is no JSON: {exc}") from exc
    pointed = [sensor for sensor in sensors if sensor.pointer is not None]
    if not pointed:
        raise PayloadError(
            f"a JSON object, but no sensor of its topic says where in it the value is; add pointer = "
            f'"/..." to {", ".join(sensor.id for sensor in sensors)} in farm.toml'
        )
    decoded = []
    for sensor in pointed:
        value = _pointed_at(document, sensor.pointer or "")
        if value is None:
            continue
        factor, offset = factor_and_offset(sensor.unit, sensor.quantity)
        number = _number_at(value, sensor.pointer or "", payload)
        decoded.append(Decoded(sensor, factor * number + offset, _time_at(document, sensor)))
    if not decoded:
        pointers = ", ".join(sensor.pointer or "" for sensor in pointed)
        raise PayloadError(f"nothing at {pointers} in {payload[:80]!r}; mend pointer in farm.toml or the device")
    return decoded


def _pointed_at(document: Any, pointer: str) -> Any:
    """Return what stands at a pointer, or None."""
    try:
        return JsonPointer(pointer).resolve(document, None)
    except (JsonPointerException, TypeError):
        return None


def _number_at(value: Any, pointer: str, payload: bytes) -> float:
    """Return a value as a number; a text that holds one is read too."""
    if not isinstance(value, bool) and isinstance(value, int | float | str):
        try:
            return float(value)
        except ValueError:
            pass
    raise PayloadError(f"no number at {pointer!r} in {payload[:80]!r}, but {value!r}")


def _time_at(document: Any, sensor: Sensor) -> float | None:
    """Return the time at a sensor's time pointer in seconds since 1970; None where there is none."""
    if sensor.time_pointer is None:
        return None
    said = _pointed_at(document, sensor.time_pointer)
    if said is None:
        return None
    if isinstance(said, int | float) and not isinstance(said, bool):
        return said / 1000 if abs(said) >= _UNIX_MS_FROM else float(said)
    try:
        wall = datetime.fromisoformat(str(said).strip())
    except ValueError as exc:
        raise PayloadError(f"{said!r} at {sensor.time_pointer!r} is no time as RFC 3339 writes it") from exc
    if wall.tzinfo is None:
        if sensor.time_zone is None:
            raise PayloadError(
                f"{said!r} at {sensor.time_pointer!r} has no offset; set time_zone for sensor {sensor.id} in farm.toml"
            )
        wall = wall.replace(tzinfo=ZoneInfo(sensor.time_zone))
    return wall.astimezone(UTC).timestamp()
