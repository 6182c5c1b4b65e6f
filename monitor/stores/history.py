"""Files of compacted readings: Parquet, one month each, series that share their instants in one row group.

Columns: ``t`` (instants, ascending, each once a group), then for the n-th series of a group ``v<n>`` (how many decimal
steps it is above the one before in its row group, with 0, -1, 1, -2 as 0, 1, 2, 3), ``q<n>`` (flag and doubt; null
where this series has no reading at that instant) and, only in files that need it, ``x<n>`` (values that no decimal
step gives back). Which series is where stands in the file's own metadata.
"""

from __future__ import annotations

import errno
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.errors import StoreError
from monitor.fixedpoint import as_fixed, values_of
from monitor.series import Series, chain, no_series
from monitor.sharing import Sharing, sharing

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

Number = TypeVar("Number", np.int64, np.int32, np.float64)

SCHEMA = "traywarden.history/1"
_KEY = b"traywarden"
_ROWS = 1 << 16
_ZSTD = 3
_ZSTD_VALUES = 15
"""From here on zstd weighs whether a match pays, and leaves noise to its entropy coder; measured, see DEVELOPERS.md."""
_MAY_MISS = 0.02
_FLAG_BITS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One row group: its place in the file, and its span.

    Attributes:
        row_group: Number of the row group.
        first_ms: Its first instant. [ms since 1970 UTC]
        last_ms: Its last instant. [ms since 1970 UTC]
    """

    row_group: int
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Where one series stands in a file.

    Attributes:
        slot: Which columns are its own.
        places: Decimal places of its steps.
        parts: Its row groups, in order of time.
    """

    slot: int
    places: int
    parts: tuple[Part, ...]


class HistoryFile:
    """One file, open for reading."""

    def __init__(self, path: Path) -> None:
        """Open it.

        Raises:
            FileNotFoundError: It is not there (any more).
            StoreError: It is no whole file of compacted readings.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        self.path = path
        try:
            self._file: pq.ParquetFile = pq.ParquetFile(path, page_checksum_verification=True)
            told = json.loads((self._file.metadata.metadata or {})[_KEY])
            self.held = _held(told)
        except FileNotFoundError as exc:
            raise FileNotFoundError(errno.ENOENT, "no such file", str(path)) from exc
        except (pa.ArrowException, OSError, KeyError, ValueError, TypeError) as exc:
            raise StoreError(f"{path} is no whole file of compacted readings: {exc}; see `traywarden inspect`") from exc

    def read(self, sensor: str, start_ms: int, end_ms: int) -> Series:
        """Return a sensor's readings with start <= instant < end.

        Raises:
            StoreError: The file is damaged there.
        """
        import pyarrow as pa

        held = self.held.get(sensor)
        if held is None:
            return no_series()
        wanted = [part.row_group for part in held.parts if part.first_ms < end_ms and part.last_ms >= start_ms]
        try:
            return chain([self._part(held, number) for number in wanted]).between(start_ms, end_ms)
        except (pa.ArrowException, OSError) as exc:
            raise StoreError(f"{self.path} is damaged at {sensor}: {exc}; put it back from a backup") from exc

    def _part(self, held: Held, number: int) -> Series:
        """Return one series of one row group."""
        n = held.slot
        has_misfits = self._file.schema_arrow.get_field_index(f"x{n}") >= 0
        columns = ["t", f"v{n}", f"q{n}", *([f"x{n}"] if has_misfits else [])]
        table = self._file.read_row_group(number, columns=columns, use_threads=False)
        value = values_of(_steps(*_numbers(table[f"v{n}"], np.int64)), held.places)
        if has_misfits:
            real, misfit = _numbers(table[f"x{n}"], np.float64)
            value = np.where(misfit, real, value)
        marks, there = _numbers(table[f"q{n}"], np.int32)
        whole = Series(
            at_ms=_numbers(table["t"], np.int64)[0],
            value=value,
            flag=(marks & ((1 << _FLAG_BITS) - 1)).astype(np.int8),
            doubt=(marks >> _FLAG_BITS).astype(np.int16),
        )
        return whole if there.all() else whole.part(there)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def _held(told: Mapping[str, Any]) -> dict[str, Held]:
    """Return where each series stands, as the file's metadata tells it."""
    if told["schema"] != SCHEMA:
        raise ValueError(f"its schema is {told['schema']!r}, not {SCHEMA!r}")
    held = {}
    number = 0
    for group in told["groups"]:
        parts = []
        for first, last in group["parts"]:
            parts.append(Part(row_group=number, first_ms=first, last_ms=last))
            number += 1
        for slot, (sensor, places) in enumerate(group["series"]):
            held[str(sensor)] = Held(slot=slot, places=int(places), parts=tuple(parts))
    return held


def _numbers(column: pa.ChunkedArray, kind: type[Number]) -> tuple[NDArray[Number], NDArray[np.bool_]]:
    """Return a column's numbers, anything where null, and where it is not null; to_numpy() would bring in pandas."""
    array = column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    bits, numbers = array.buffers()
    first, n = array.offset, len(array)
    values = np.frombuffer(numbers, dtype=kind, count=first + n)[first:] if n else np.zeros(0, dtype=kind)
    if bits is None or array.null_count == 0:
        return values, np.ones(n, dtype=np.bool_)
    there = np.unpackbits(np.frombuffer(bits, dtype=np.uint8), count=first + n, bitorder="little")[first:]
    return values, there.view(np.bool_)


def _folded(steps: NDArray[np.int64], there: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return steps as differences between those that are there, small ones of either sign as small numbers."""
    out = np.zeros(len(steps), dtype=np.int64)
    difference = np.diff(steps[there], prepend=0)
    out[there] = (difference << 1) ^ (difference >> 63)
    return out


def _steps(folded: NDArray[np.int64], there: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return such differences as steps again; 0 where none is there."""
    if there.all():
        return np.cumsum((folded >> 1) ^ -(folded & 1))
    out = np.zeros(len(folded), dtype=np.int64)
    held = folded[there]
    out[there] = np.cumsum((held >> 1) ^ -(held & 1))
    return out


# -- writing ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Column:
    """One series spread over its group's instants."""

    name: str
    places: int
    steps: NDArray[np.int64]
    quality: NDArray[np.int32]
    real: NDArray[np.float64]
    is_step: NDArray[np.bool_]
    is_real: NDArray[np.bool_]

    @property
    def is_there(self) -> NDArray[np.bool_]:
        return np.asarray(self.is_step | self.is_real)


def _spread(name: str, series: Series, at_ms: NDArray[np.int64]) -> _Column:
    """Return a series over instants among which are all of its own."""
    n, place = len(at_ms), np.searchsorted(at_ms, series.at_ms)
    fixed = as_fixed(series.value, may_miss=_MAY_MISS)
    steps, quality, real = np.zeros(n, np.int64), np.zeros(n, np.int32), np.zeros(n)
    is_step, is_real = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    steps[place], real[place] = fixed.steps, series.value
    quality[place] = series.flag.astype(np.int32) | (series.doubt.astype(np.int32) << _FLAG_BITS)
    is_step[place], is_real[place] = fixed.fits, ~fixed.fits
    return _Column(name, fixed.places, steps, quality, real, is_step, is_real)


def groups_by_width(series: Mapping[str, Series]) -> list[list[Sharing]]:
    """Return the groups of series that share instants, in one list for each number of series in a group."""
    widths: dict[int, list[Sharing]] = {}
    for group in sharing({name: each.at_ms for name, each in series.items()}):
        widths.setdefault(len(group.names), []).append(group)
    return [widths[width] for width in sorted(widths)]


def write_history(
    path: Path, groups: Sequence[Sharing], series: Mapping[str, Series], *, step: Callable[[str], None]
) -> None:
    """Write groups of one width as one file; the caller gives it its final name once it is on disk.

    Args:
        path: Where to.
        groups: Which series stand together; each as many.
        series: The readings, by sensor.
        step: Told "writing" before each row group.

    Raises:
        OSError: It cannot be written.
    """
    import pyarrow.parquet as pq

    spread = [[_spread(name, series[name], group.at_ms) for name in group.names] for group in groups]
    has_misfits = any(column.is_real.any() for columns in spread for column in columns)
    schema = _schema(len(groups[0].names), has_misfits)
    values = [name for name in schema.names if name[0] == "v"]
    with pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level={name: _ZSTD_VALUES if name[0] == "v" else _ZSTD for name in schema.names},
        use_dictionary=[name for name in schema.names if name[0] == "q"],
        column_encoding={"t": "DELTA_BINARY_PACKED"} | {name: "BYTE_STREAM_SPLIT" for name in values},
        write_statistics=["t"],
        write_page_checksum=True,
        store_schema=False,
    ) as writer:
        writer.add_key_value_metadata({_KEY: json.dumps(_told(groups, spread), separators=(",", ":")).encode()})
        for group, columns in zip(groups, spread, strict=True):
            for begin in range(0, len(group.at_ms), _ROWS):
                step("writing")
                rows = slice(begin, begin + _ROWS)
                writer.write_table(_table(schema, group.at_ms[rows], columns, rows, has_misfits), row_group_size=_ROWS)


def _schema(width: int, has_misfits: bool) -> pa.Schema:
    """Return the columns of a file of groups of so many series."""
    import pyarrow as pa

    fields = [pa.field("t", pa.timestamp("ms", tz="UTC"), nullable=False)]
    for n in range(width):
        fields += [pa.field(f"v{n}", pa.int64()), pa.field(f"q{n}", pa.int32())]
        if has_misfits:
            fields.append(pa.field(f"x{n}", pa.float64()))
    return pa.schema(fields)


def _told(groups: Sequence[Sharing], spread: Sequence[Sequence[_Column]]) -> dict[str, Any]:
    """Return what the file says of itself."""
    return {
        "schema": SCHEMA,
        "groups": [
            {
                "series": [[column.name, column.places] for column in columns],
                "parts": [
                    [int(group.at_ms[begin]), int(group.at_ms[min(begin + _ROWS, len(group.at_ms)) - 1])]
                    for begin in range(0, len(group.at_ms), _ROWS)
                ],
            }
            for group, columns in zip(groups, spread, strict=True)
        ],
    }


def _table(
    schema: pa.Schema, at_ms: NDArray[np.int64], columns: Sequence[_Column], rows: slice, has_misfits: bool
) -> pa.Table:
    """Return one row group."""
    import pyarrow as pa

    arrays = [_array(at_ms, pa.timestamp("ms", tz="UTC"))]
    for column in columns:
        there = column.is_step[rows]
        arrays.append(_array(_folded(column.steps[rows], there), pa.int64(), there))
        arrays.append(_array(column.quality[rows], pa.int32(), column.is_there[rows]))
        if has_misfits:
            arrays.append(_array(column.real[rows], pa.float64(), column.is_real[rows]))
    return pa.table(arrays, schema=schema)


def _array(values: NDArray[Any], kind: pa.DataType, there: NDArray[np.bool_] | None = None) -> pa.Array:
    """Return values as Arrow has them, null where they are not there; pa.array() would bring in all of pandas."""
    import pyarrow as pa

    bits = None
    if there is not None and not there.all():
        bits = pa.py_buffer(np.packbits(there, bitorder="little").tobytes())
    return pa.Array.from_buffers(kind, len(values), [bits, pa.py_buffer(np.ascontiguousarray(values))])
