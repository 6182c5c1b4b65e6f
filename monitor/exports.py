"""Readings out of the store into a file that others can read, and `traywarden import` too: CSV, Parquet, SenML."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, TextIO

import numpy as np

from monitor.calibration import RAW
from monitor.errors import StoreError
from monitor.farm import Sensor
from monitor.readings import STORED_UNIT, USABLE, Block, Quantity
from monitor.stores.protocol import ReadingStore

if TYPE_CHECKING:
    import pyarrow as pa

CSV, PARQUET, SENML = "csv", "parquet", "senml"
FORMATS = {CSV: (".csv",), PARQUET: (".parquet",), SENML: (".senml", ".json")}
COLUMNS = ("time", "sensor", "quantity", "unit", "value", "flag", "doubt")
EXPORT_SCHEMA = "traywarden.readings/1"
METADATA_KEY = b"traywarden"
CORRECTED = "corrected"
"""A field of our own in a pack's first record, true: its values are corrected by calibrations, raw ones have names of
their own. Who does not know it passes over it. Source: [RFC8428] section 4.4."""
_AT_ONCE = timedelta(days=31)
_SENML_UNIT = {
    Quantity.TEMPERATURE: "Cel",
    Quantity.HUMIDITY: "%RH",
    Quantity.LIGHT: "lx",
    Quantity.WEIGHT: "g",
}
"""Registered SenML units. Source: [RFC8428] section 12.1; it has none for a photon flux density."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a sensor's values are, as far as farm.toml says.

    Attributes:
        quantity: What it measures; None: farm.toml does not know the sensor.
    """

    quantity: Quantity | None

    @property
    def words(self) -> tuple[str, str]:
        """Return quantity and stored unit; empty where they are not known."""
        return ("", "") if self.quantity is None else (self.quantity.value, STORED_UNIT[self.quantity])


def kind_of(sensor: str, sensors: Mapping[str, Sensor]) -> Kind:
    """Return what a series' values are; a raw series is its sensor's."""
    found = sensors.get(sensor) or sensors.get(sensor.removesuffix(RAW))
    return Kind(quantity=None if found is None else found.quantity)


class Writer(Protocol):
    """Takes blocks of one sensor each, in order."""

    def write(self, block: Block, kind: Kind) -> int:
        """Write a block; return how many of its readings were written."""
        ...

    def close(self) -> None:
        """Write the end."""
        ...


def blocks_of(
    store: ReadingStore, sensors: Sequence[str], start: datetime, end: datetime
) -> Iterator[tuple[str, Block]]:
    """Yield (sensor, readings) of a span, by sensor and then a month or less at a time."""
    for sensor in sensors:
        begin = start
        while begin < end:
            block = store.read([sensor], begin, min(begin + _AT_ONCE, end))
            if len(block):
                yield sensor, block
            begin += _AT_ONCE


def _instants(block: Block) -> list[str]:
    """Return instants in RFC 3339, UTC, to the millisecond."""
    return [f"{text}Z" for text in np.datetime_as_string(block.measured_at_ms.view("datetime64[ms]"), unit="ms")]


class CsvWriter:
    """One line a reading; numbers are written so that the same bits are read back."""

    def __init__(self, path: Path) -> None:
        """Begin the file."""
        self._file: TextIO = path.open("w", encoding="utf-8", newline="")
        self._file.write(",".join(COLUMNS) + "\n")

    def write(self, block: Block, kind: Kind) -> int:
        """Write a block of one sensor."""
        quantity, unit = kind.words
        head = f"{block.sensors[0]},{quantity},{unit}"
        columns = (_instants(block), block.value.tolist(), block.flag.tolist(), block.doubt.tolist())
        lines = [f"{at},{head},{v!r},{f},{d}\n" for at, v, f, d in zip(*columns, strict=True)]
        self._file.writelines(lines)
        return len(lines)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class SenmlWriter:
    """One pack, a record a reading. SenML has no quality flags, so only readings that can be relied on are written.

    Source: [RFC8428] sections 4.3 (fields), 5 (JSON), 12.1 (units).
    """

    def __init__(self, path: Path) -> None:
        """Begin the file."""
        self._file: TextIO = path.open("w", encoding="utf-8", newline="\n")
        self._file.write("[")
        self._next = f'\n{{"{CORRECTED}":true,'

    def write(self, block: Block, kind: Kind) -> int:
        """Write the good readings of a block of one sensor; none where SenML has no unit for it."""
        unit = _SENML_UNIT.get(kind.quantity) if kind.quantity is not None else None
        if unit is None:
            return 0
        good = np.isin(block.flag, [int(each) for each in USABLE]) & np.isfinite(block.value)
        head = f'"n":{json.dumps(block.sensors[0])},"u":{json.dumps(unit)}'
        rows = zip((block.measured_at_ms[good] / 1000).tolist(), block.value[good].tolist(), strict=True)
        records = [f'{head},"t":{at!r},"v":{value!r}}}' for at, value in rows]
        if records:
            self._file.write(self._next + ",\n{".join(records))
            self._next = ",\n{"
        return len(records)

    def close(self) -> None:
        """Write the end."""
        self._file.write("\n]\n")
        self._file.close()


class ParquetWriter:
    """A row a reading: time, sensor, quantity, unit, value, flag, doubt."""

    def __init__(self, path: Path) -> None:
        """Begin the file."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        name = pa.dictionary(pa.int32(), pa.string())
        fields = [
            ("time", pa.timestamp("ms", tz="UTC")),
            *[(column, name) for column in ("sensor", "quantity", "unit")],
            ("value", pa.float64()),
            ("flag", pa.int8()),
            ("doubt", pa.int16()),
        ]
        told = json.dumps({"schema": EXPORT_SCHEMA}).encode()
        self._schema = pa.schema(fields, metadata={METADATA_KEY: told})
        self._writer = pq.ParquetWriter(path, self._schema, compression="zstd", write_page_checksum=True)

    def write(self, block: Block, kind: Kind) -> int:
        """Write a block of one sensor as a row group."""
        import pyarrow as pa

        n = len(block)

        def all_of(text: str) -> pa.Array:
            return pa.DictionaryArray.from_arrays(_column(np.zeros(n, np.int32), pa.int32()), pa.array([text]))

        quantity, unit = kind.words
        arrays = [
            _column(block.measured_at_ms, pa.timestamp("ms", tz="UTC")),
            *[all_of(text) for text in (block.sensors[0], quantity, unit)],
            _column(block.value, pa.float64()),
            _column(block.flag, pa.int8()),
            _column(block.doubt, pa.int16()),
        ]
        self._writer.write_table(pa.table(arrays, schema=self._schema))
        return n

    def close(self) -> None:
        """Write the end."""
        self._writer.close()


def _column(values: Any, kind: pa.DataType) -> pa.Array:
    """Return numbers as Arrow has them."""
    import pyarrow as pa

    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(np.ascontiguousarray(values))])


_WRITERS: dict[str, type[CsvWriter | SenmlWriter | ParquetWriter]] = {
    CSV: CsvWriter,
    SENML: SenmlWriter,
    PARQUET: ParquetWriter,
}


class Export:
    """A file that is complete under its name, or not there: ``with Export(path, CSV) as writer``."""

    def __init__(self, path: Path, file_format: str) -> None:
        """Take where to, and one of FORMATS."""
        self._path, self._format = path, file_format
        self._unfinished = path.with_name(f".{path.name}.unfinished")
        self._writer: Writer | None = None

    def __enter__(self) -> Writer:
        """Begin.

        Raises:
            StoreError: The file cannot be written.
        """
        try:
            self._writer = _WRITERS[self._format](self._unfinished)
        except OSError as exc:
            raise StoreError(f"{self._path} cannot be written: {exc.strerror}") from exc
        return self._writer

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, _trace: TracebackType | None
    ) -> None:
        """Give the file its name, or take away what was begun."""
        assert self._writer is not None
        try:
            self._writer.close()
            if exc is None:
                os.replace(self._unfinished, self._path)
        except OSError as failed:
            exc = failed
        if exc is not None:
            self._unfinished.unlink(missing_ok=True)
        if isinstance(exc, OSError):
            raise StoreError(f"{self._path} cannot be written: {exc}") from exc
