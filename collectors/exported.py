"""Files that `traywarden export` wrote, and SenML packs of others, as blocks of readings."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from collectors.csvfile import Judge, Tally, as_stored
from collectors.pipeline import Calibrate, as_measured
from collectors.senml import Record, resolve
from monitor.calibration import RAW
from monitor.errors import ImportFileError, PayloadError, UnitError
from monitor.exports import COLUMNS, CORRECTED, EXPORT_SCHEMA, METADATA_KEY
from monitor.farm import Sensor
from monitor.readings import Block, Doubt, Flag, Reading, from_ms
from monitor.units import factor_and_offset

if TYPE_CHECKING:
    import pyarrow.parquet as pq

CSV, PARQUET, PACKED, SENML = "csv", "parquet", "packed", "senml"
_AT_ONCE = 50_000
_LARGEST_PACK = 200_000_000
_HEAD = 4_096
_FIRST_RECORD = re.compile(rb"\s*\[\s*(\{[^{}]*\})")
_FLAGS = frozenset(int(flag) for flag in Flag)

Known = Callable[[str], bool]
"""Whether a series may be brought in under this name."""


def sort_of(path: Path) -> str | None:
    """Return what a file is that needs no mapping of columns; None: a logger's own CSV file.

    Raises:
        ImportFileError: It cannot be opened, or is a Parquet file of somebody else's.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as exc:
        raise ImportFileError(f"{path} cannot be read: {exc.strerror}") from exc
    if head.startswith(b"PAR1"):
        return _parquet_sort(path)
    if head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"[":
        return SENML
    return CSV if _is_csv(head) else None


def is_csv_export(path: Path) -> bool:
    """Tell whether a file is a CSV file that `traywarden export` wrote."""
    with path.open("rb") as file:
        return _is_csv(file.read(_HEAD))


def _is_csv(head: bytes) -> bool:
    """Tell by a file's first bytes whether it is an exported CSV file."""
    return head.decode("utf-8-sig", "replace").partition("\n")[0].rstrip("\r") == ",".join(COLUMNS)


def _opened(path: Path) -> pq.ParquetFile:
    """Return a Parquet file, open."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.ParquetFile(path, page_checksum_verification=True)
    except (pa.ArrowException, OSError) as exc:
        raise ImportFileError(f"{path.name} is no whole Parquet file: {exc}") from exc


def _parquet_sort(path: Path) -> str:
    """Tell an export from a file out of the folder ``history``."""
    from monitor.stores.history import SCHEMA

    told = (_opened(path).metadata.metadata or {}).get(METADATA_KEY, b"{}")
    schema = json.loads(told).get("schema")
    if schema not in (SCHEMA, EXPORT_SCHEMA):
        raise ImportFileError(
            f"{path.name} is a Parquet file that Traywarden did not write; write it as CSV, and name its columns"
        )
    return PACKED if schema == SCHEMA else PARQUET


def read_csv(path: Path, known: Known, tally: Tally) -> Iterator[Block]:
    """Yield the readings of an exported CSV file; a line in error is noted and passed over."""
    yield from _in_blocks(_csv_readings(path, known, tally))


def _csv_readings(path: Path, known: Known, tally: Tally) -> Iterator[Reading]:
    """Yield what the lines of a CSV file say."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        lines = csv.reader(file)
        next(lines)
        for fields in lines:
            if not fields:
                continue
            try:
                reading = _reading(fields, known)
            except ValueError as exc:
                tally.err(lines.line_num, str(exc))
                continue
            tally.hand_on(reading.measured_at, reading.flag)
            yield reading


def _in_blocks(readings: Iterable[Reading]) -> Iterator[Block]:
    """Yield readings as blocks of a bounded size, the last one maybe empty."""
    waiting: list[Reading] = []
    for reading in readings:
        waiting.append(reading)
        if len(waiting) == _AT_ONCE:
            yield Block.from_readings(waiting)
            waiting = []
    yield Block.from_readings(waiting)


def _reading(fields: list[str], known: Known) -> Reading:
    """Return one line's reading.

    Raises:
        ValueError: Something in it cannot be; says what.
    """
    if len(fields) != len(COLUMNS):
        raise ValueError(f"{len(fields)} fields, not {len(COLUMNS)}")
    wall, sensor, _, _, value, flag, doubt = fields
    at = datetime.fromisoformat(wall)
    if at.tzinfo is None:
        raise ValueError(f"{wall!r} has no offset")
    if not known(sensor):
        raise ValueError(f"no sensor {sensor!r} in farm.toml")
    number = float(value)
    if number != number or int(flag) not in _FLAGS:
        raise ValueError(f"{value!r} with flag {flag!r} cannot be kept")
    return Reading(sensor=sensor, measured_at=at, value=number, flag=Flag(int(flag)), doubt=Doubt(int(doubt)))


def read_parquet(path: Path, known: Known, tally: Tally) -> Iterator[Block]:
    """Yield the readings of an exported Parquet file.

    Raises:
        ImportFileError: It is damaged.
    """
    import pyarrow as pa

    file = _opened(path)
    try:
        for batch in file.iter_batches(_AT_ONCE, columns=["time", "sensor", "value", "flag", "doubt"]):
            names = batch.column("sensor").to_pylist()
            sensors = tuple(dict.fromkeys(names))
            place = {name: index for index, name in enumerate(sensors)}
            block = Block(
                sensors=sensors,
                sensor_index=np.array([place[name] for name in names], dtype=np.int32),
                measured_at_ms=np.array(batch.column("time").cast(pa.int64()), dtype=np.int64),
                value=np.array(batch.column("value"), dtype=np.float64),
                flag=np.array(batch.column("flag"), dtype=np.int8),
                doubt=np.array(batch.column("doubt"), dtype=np.int16),
            )
            yield from _known_only(block, known, tally)
    except (pa.ArrowException, OSError) as exc:
        raise ImportFileError(f"{path.name} is damaged: {exc}; what came before that is in") from exc


def read_packed(path: Path, known: Known, tally: Tally) -> Iterator[Block]:
    """Yield the readings of a file out of a folder ``history``."""
    from monitor.series import block_of
    from monitor.stores.history import HistoryFile

    file = HistoryFile(path)
    try:
        for sensor in file.held:
            yield from _known_only(block_of([sensor], [file.read(sensor, -(2**62), 2**62)]), known, tally)
    finally:
        file.close()


def _known_only(block: Block, known: Known, tally: Tally) -> Iterator[Block]:
    """Yield the readings of series that may be brought in, and count."""
    allowed = np.array([known(name) for name in block.sensors], dtype=np.bool_)
    kept = block if allowed.all() else block.rows(np.flatnonzero(allowed[block.sensor_index]))
    if len(kept) < len(block):
        names = ", ".join(name for name, is_in in zip(block.sensors, allowed, strict=True) if not is_in)
        tally.err(0, f"{len(block) - len(kept)} readings of {names}, which farm.toml does not know")
        tally.error_count += len(block) - len(kept) - 1
    if not len(kept):
        return
    at_ms = kept.measured_at_ms
    tally.readings += len(kept)
    tally.doubtful += int((~np.isin(kept.flag, (Flag.PASS, Flag.NOT_EVALUATED))).sum())
    first, last = from_ms(int(at_ms.min())), from_ms(int(at_ms.max()))
    tally.first_at = first if tally.first_at is None else min(tally.first_at, first)
    tally.last_at = last if tally.last_at is None else max(tally.last_at, last)
    yield kept


def is_corrected(head: bytes) -> bool:
    """Tell by a SenML pack's first bytes whether `traywarden export` wrote it: its values are corrected already."""
    first = _FIRST_RECORD.match(head)
    try:
        return first is not None and json.loads(first[1]).get(CORRECTED) is True
    except ValueError:
        return False


def read_senml(
    path: Path,
    sensors: Mapping[str, Sensor],
    known: Known,
    judge: Judge,
    tally: Tally,
    calibrate: Calibrate = as_measured,
) -> Iterator[Block]:
    """Yield the readings of a SenML pack; records are called by number, from 1.

    A record's name is the sensor's id, or what farm.toml has under ``record``. Values are judged as they were when
    they came over MQTT, since SenML carries no flags. They are calibrated too, but for those of an export, and of a
    sensor whose raw series stands in the pack: these are corrected already.

    Raises:
        ImportFileError: It is no SenML pack, or too large to be read as one.
    """
    if path.stat().st_size > _LARGEST_PACK:
        raise ImportFileError(
            f"{path.name} is over {_LARGEST_PACK // 10**6} MB; a pack is read whole: export CSV instead"
        )
    try:
        payload = path.read_bytes()
        records = resolve(payload)
    except PayloadError as exc:
        raise ImportFileError(f"{path.name}: {exc}") from exc
    by_record = {sensor.record: sensor for sensor in sensors.values() if sensor.record is not None}
    raw = {record.name.removesuffix(RAW) for record in records if record.name.endswith(RAW)}
    is_ours = is_corrected(payload[:_HEAD])

    def by_its_day(sensor: Sensor, value: float, at_ms: int) -> float:
        return value if is_ours or sensor.id in raw else calibrate(sensor, value, at_ms)

    yield from _in_blocks(_pack_readings(records, {**by_record, **sensors}, known, judge, by_its_day, tally))


def _pack_readings(
    records: Iterable[Record],
    sensors: Mapping[str, Sensor],
    known: Known,
    judge: Judge,
    calibrate: Calibrate,
    tally: Tally,
) -> Iterator[Reading]:
    """Yield what the records of a pack say; one in error is noted and passed over."""
    for number, record in enumerate(records, start=1):
        try:
            found = _of_record(record, sensors, known, judge, calibrate)
        except (ValueError, UnitError) as exc:
            tally.err(number, str(exc))
            continue
        tally.hand_on(found[-1].measured_at, found[-1].flag)
        tally.corrected += len(found) - 1
        yield from found


def _of_record(
    record: Record, sensors: Mapping[str, Sensor], known: Known, judge: Judge, calibrate: Calibrate
) -> list[Reading]:
    """Return one record's reading, and what the sensor showed where a calibration corrects it.

    Raises:
        ValueError: It cannot be one; says why.
        UnitError: Its unit is not one of the sensor's quantity.
    """
    sensor = sensors.get(record.name) or sensors.get(record.name.removesuffix(RAW))
    if sensor is None or not (known(record.name) or known(sensor.id)):
        raise ValueError(f"no sensor {record.name!r} in farm.toml")
    if record.value is None:
        raise ValueError(f"{record.name} has no number")
    if record.is_relative:
        raise ValueError(f"{record.name} has no time of its own, only one that counts from when it was sent")
    factor, offset = factor_and_offset(record.unit or sensor.unit, sensor.quantity)
    at = from_ms(round(record.time_s * 1000))
    is_raw = record.name.endswith(RAW)
    found = list(as_stored(sensor, at, factor * record.value + offset, judge, as_measured if is_raw else calibrate))
    if not found:
        raise ValueError(f"{record.name} has {record.value!r}, which is no number")
    return [replace(each, sensor=record.name) for each in found] if is_raw else found
