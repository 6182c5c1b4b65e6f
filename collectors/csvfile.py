"""A logger's file as blocks of readings: looked over once to learn how it is written, then read once.

Nothing is guessed: where a column can be read two ways the import is refused with the option that settles it.
A time in a file is never replaced by another one. A row in error is reported with its line and passed over.
"""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple, TextIO
from zoneinfo import ZoneInfo

from collectors.csv_fields import MISSING, NumberColumn, Reader, TimeColumn, place_in_zone, read_number
from collectors.csv_table import DELIMITERS, Layout, find_layout, read_rows
from collectors.pipeline import Calibrate, as_measured
from monitor.calibration import RAW
from monitor.errors import ImportFileError
from monitor.farm import Sensor
from monitor.readings import USABLE, Block, Doubt, Flag, Reading, to_ms

CLOCK_TOLERANCE = timedelta(minutes=5)
_BLOCK_ROWS = 5_000

Judge = Callable[[Sensor, float], tuple[float, Flag, Doubt] | None]
"""(sensor, value in the stored unit) -> value to keep, flag, doubt; None: not to be kept."""
Err = Callable[[int, str], None]
"""(line, what is wrong with it)."""


class FileRow(NamedTuple):
    """One row whose time could be read: its line, its instant, and (sensor, value in the stored unit) of its fields."""

    line: int
    at: datetime
    values: list[tuple[Sensor, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the person asked for.

    Attributes:
        time_column: Column with the times.
        columns: Column name -> (sensor, factor, offset) with stored value = factor * value + offset.
        delimiter: Given delimiter, or None.
        time_format: Given way of writing times, or None.
        zone: Zone of times without offset, or None.
        decimal: Given decimal sign, or None.
        skip_lines: Lines before the header that are passed over.
        encoding: Given text encoding, or None: UTF-8, or what a byte order mark says.
    """

    time_column: str
    columns: Mapping[str, tuple[Sensor, float, float]]
    delimiter: str | None = None
    time_format: str | None = None
    zone: ZoneInfo | None = None
    decimal: str | None = None
    skip_lines: int = 0
    encoding: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How the file turned out to be written.

    Attributes:
        layout: How it is cut.
        read_time: Reader of its times.
        decimals: Column -> decimal sign.
        rows: Rows after the header.
        told: What was found out, in words for the person.
    """

    layout: Layout
    read_time: Reader
    decimals: Mapping[str, str]
    rows: int
    told: tuple[str, ...]


@dataclass(slots=True, kw_only=True)
class Tally:
    """What came of the rows.

    Attributes:
        readings: Readings handed on.
        missing: Fields without a value.
        doubtful: Readings of them that are kept but flagged suspect or failed.
        corrected: Readings of them that a calibration corrected, so that what the sensor showed is kept beside.
        errors: (line, what is wrong), in file order, the first 1,000.
        error_count: How many rows or fields were in error.
        first_at: Earliest instant handed on.
        last_at: Latest instant handed on.
    """

    readings: int = 0
    missing: int = 0
    doubtful: int = 0
    corrected: int = 0
    error_count: int = 0
    errors: list[tuple[int, str]] = field(default_factory=list)
    first_at: datetime | None = None
    last_at: datetime | None = None

    def err(self, line: int, why: str) -> None:
        """Note a row or field in error."""
        self.error_count += 1
        if len(self.errors) < 1_000:
            self.errors.append((line, why))

    def miss(self) -> None:
        """Count one field without a value."""
        self.missing += 1

    def note(self, reading: Reading) -> None:
        """Count one reading, or what the sensor showed beside one."""
        if reading.sensor.endswith(RAW):
            self.corrected += 1
        else:
            self.hand_on(reading.measured_at, reading.flag)

    def hand_on(self, at: datetime, flag: Flag) -> None:
        """Count one reading."""
        self.readings += 1
        self.doubtful += flag not in USABLE
        self.first_at = at if self.first_at is None else min(self.first_at, at)
        self.last_at = at if self.last_at is None else max(self.last_at, at)


def text_encoding(head: bytes, given: str | None) -> str:
    """Return the encoding to open a file with, by the person's word or a byte order mark; else UTF-8."""
    if given:
        return given
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"


def open_table(path: Path, wish: Wish) -> TextIO:
    """Open a file as text, past the lines that the person wants passed over.

    Raises:
        ImportFileError: It cannot be opened.
    """
    try:
        with path.open("rb") as raw:
            head = raw.read(4)
        text = path.open(encoding=text_encoding(head, wish.encoding), newline="")
        for _ in range(wish.skip_lines):
            text.readline()
    except (OSError, LookupError) as exc:
        raise ImportFileError(f"{path}: cannot be opened: {exc}") from exc
    except UnicodeDecodeError as exc:
        raise _not_utf8(path, exc) from exc
    return text


def _not_utf8(path: Path, exc: UnicodeDecodeError) -> ImportFileError:
    """Say what to do about bytes that are no UTF-8."""
    return ImportFileError(
        f"{path}: byte {exc.object[exc.start]:#04x} is not {exc.encoding}; give the encoding that the logger's "
        "program writes, often --encoding cp1252"
    )


def look_over(path: Path, wish: Wish, progress: Callable[[int], None] = lambda _rows: None) -> Manner:
    """Read the whole file once and return how it is written.

    Args:
        path: The file.
        wish: What the person asked for.
        progress: Called with the number of rows seen since the last call.

    Raises:
        ImportFileError: The file, or a column of it, can be read two ways or none.
    """
    wanted = [wish.time_column, *wish.columns]
    try:
        with open_table(path, wish) as text:
            layout = find_layout(text, wanted, delimiter=wish.delimiter)
        with open_table(path, wish) as text:
            return _look_at_columns(text, layout, wish, progress)
    except UnicodeDecodeError as exc:
        raise _not_utf8(path, exc) from exc
    except ImportFileError as exc:
        raise ImportFileError(f"{path.name}: {exc}") from exc


def _look_at_columns(text: TextIO, layout: Layout, wish: Wish, progress: Callable[[int], None]) -> Manner:
    """Settle how times and numbers are written."""
    place = {name: index for index, name in enumerate(layout.columns)}
    times = TimeColumn(wish.time_format)
    numbers = {name: NumberColumn(wish.decimal) for name in wish.columns}
    rows = 0
    for _, fields in read_rows(text, layout):
        rows += 1
        if rows % _BLOCK_ROWS == 0:
            progress(_BLOCK_ROWS)
        if fields is None:
            continue
        times.look_at(fields[place[wish.time_column]].strip())
        for name, column in numbers.items():
            column.look_at(fields[place[name]].strip())
    progress(rows % _BLOCK_ROWS)
    if rows == 0:
        raise ImportFileError("there is no row under the header; nothing to import")
    told = (f"fields are parted by {DELIMITERS.get(layout.delimiter, repr(layout.delimiter))}", *layout.notes)
    return Manner(
        layout=layout,
        read_time=times.settle(),
        decimals={name: column.settle(name) for name, column in numbers.items()},
        rows=rows,
        told=told,
    )


def read_blocks(
    path: Path,
    wish: Wish,
    manner: Manner,
    *,
    judge: Judge,
    now: datetime,
    records_from: datetime,
    tally: Tally,
    calibrate: Calibrate = as_measured,
) -> Iterator[Block]:
    """Yield the file's readings in blocks, in file order; ``tally`` counts as they go.

    What a sensor showed stands beside each reading that a calibration corrects, as a series of its own.

    Args:
        path: The file.
        wish: What the person asked for.
        manner: What look_over found.
        judge: Puts a flag on a value.
        now: Instant of the import: later times are kept and marked as a clock ahead.
        records_from: Earlier times are kept and marked as a clock behind.
        tally: Counts; filled while the blocks are drawn.
        calibrate: Corrects a value by the calibration of its day.
    """
    waiting: list[Reading] = []
    for seen, row in enumerate(read_values(path, wish, manner, tally.err, tally.miss), start=1):
        odd = _clock_doubt(row.at, now, records_from)
        for sensor, value in row.values:
            for each in as_stored(sensor, row.at, value, judge, calibrate, odd):
                waiting.append(each)
                tally.note(each)
        if seen % _BLOCK_ROWS == 0:
            yield Block.from_readings(waiting)
            waiting = []
    yield Block.from_readings(waiting)


def as_stored(
    sensor: Sensor, at: datetime, shown: float, judge: Judge, calibrate: Calibrate, odd: Doubt = Doubt.NONE
) -> Iterator[Reading]:
    """Yield what is kept of a value: what the sensor showed, where a calibration corrects it, and the reading.

    Nothing is kept of a value that is no number.

    Args:
        sensor: Whose it is.
        at: When it was measured.
        shown: As the file has it, in the stored unit.
        judge: Puts a flag on a value.
        calibrate: Corrects a value by the calibration of its day.
        odd: What is odd about its time.
    """
    corrected = calibrate(sensor, shown, to_ms(at))
    judged = judge(sensor, corrected)
    if judged is None:
        return
    if corrected != shown:
        yield Reading(sensor=sensor.id + RAW, measured_at=at, value=shown, flag=Flag.NOT_EVALUATED)
    value, flag, doubt = judged
    yield Reading(sensor=sensor.id, measured_at=at, value=value, flag=flag, doubt=doubt | odd)


def read_values(
    path: Path, wish: Wish, manner: Manner, err: Err, miss: Callable[[], None] = lambda: None, *, skip: int = 0
) -> Iterator[FileRow]:
    """Yield the rows of a file, in file order; what cannot be read of them goes to ``err``.

    Args:
        path: The file.
        wish: What the person asked for.
        manner: What look_over found.
        err: Told of each row or field in error.
        miss: Told of each field without a value.
        skip: Rows under the header that are passed over.
    """
    place = {name: index for index, name in enumerate(manner.layout.columns)}
    previous: datetime | None = None
    with open_table(path, wish) as text:
        for number, (line, fields) in enumerate(read_rows(text, manner.layout)):
            line += wish.skip_lines
            if fields is None:
                if number >= skip:
                    err(line, f"another number of fields than the header's {len(manner.layout.columns)}")
                continue
            wall = fields[place[wish.time_column]].strip()
            at = _instant(wall, line, wish, manner, previous, err if number >= skip else _unheard)
            previous = at or previous
            if at is None or number < skip:
                continue
            values = []
            for name, (sensor, factor, offset) in wish.columns.items():
                value = _value(fields[place[name]].strip(), name, line, manner, err, miss)
                if value is not None:
                    values.append((sensor, factor * value + offset))
            yield FileRow(line, at, values)


def _unheard(_line: int, _why: str) -> None:
    """Pass over an error that was told before."""


def _instant(wall: str, line: int, wish: Wish, manner: Manner, previous: datetime | None, err: Err) -> datetime | None:
    """Return a row's instant; None where its time cannot be read, which is told."""
    read = manner.read_time(wall)
    if read is None:
        err(line, f"{wall!r} is no time as the other rows write it")
        return None
    if read.tzinfo is None and wish.zone is None:
        place_in_zone(read, None, None)  # refuses the whole file
    try:
        return place_in_zone(read, wish.zone, previous)
    except ImportFileError as exc:
        err(line, str(exc))
        return None


def _clock_doubt(at: datetime, now: datetime, records_from: datetime) -> Doubt:
    """Return what is odd about a time that is kept all the same."""
    if at > now + CLOCK_TOLERANCE:
        return Doubt.CLOCK_AHEAD
    return Doubt.CLOCK_BEHIND if at < records_from else Doubt.NONE


def _value(text: str, column: str, line: int, manner: Manner, err: Err, miss: Callable[[], None]) -> float | None:
    """Return a field as a number; a missing one is told, another is an error."""
    if text.casefold() in MISSING:
        miss()
        return None
    value = read_number(text, manner.decimals[column])
    if value is None:
        err(line, f"{text[:40]!r} in column {column!r} is no number")
    return value


def sensors_named(columns: Sequence[str]) -> dict[str, tuple[str, str | None]]:
    """Return ``COLUMN=SENSOR`` or ``COLUMN=SENSOR:UNIT`` as column -> (sensor, unit or None).

    Raises:
        ImportFileError: One has no ``=``, or a column is named twice.
    """
    named: dict[str, tuple[str, str | None]] = {}
    for said in columns:
        column, equals, rest = said.rpartition("=")
        sensor, _, unit = rest.partition(":")
        if not equals or not column or not sensor:
            raise ImportFileError(f"--map {said!r} is not COLUMN=SENSOR or COLUMN=SENSOR:UNIT")
        if column in named:
            raise ImportFileError(f"--map names column {column!r} twice; give each column one sensor")
        named[column] = (sensor, unit or None)
    doubled = {sensor for sensor, _ in named.values() if [s for s, _ in named.values()].count(sensor) > 1}
    if doubled:
        raise ImportFileError(f"--map gives sensor {sorted(doubled)[0]!r} two columns; give each sensor one")
    return named
