"""How a logger's text file is cut into columns and rows; it refuses rather than guesses."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

from monitor.errors import ImportFileError

DELIMITERS: dict[str, str] = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_SAMPLE_ROWS = 200
_FEW_ROWS = 0.05  # share of sampled rows that may be broken before a delimiter is given up


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a file is cut.

    Attributes:
        delimiter: The one character between fields.
        columns: Column names in order, an unnamed row number in front left out.
        row_number_first: Each row has one field more than the header: an unnamed row number in front.
        spare_field_last: Each row ends in a delimiter: an empty field more than the header.
        notes: What was found out, to be told to the person.
    """

    delimiter: str
    columns: tuple[str, ...]
    row_number_first: bool
    spare_field_last: bool
    notes: tuple[str, ...]


def _rows(lines: Iterable[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the number of each row's first line and its fields; blank rows are passed over."""
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    line = 1
    try:
        for fields in reader:
            if fields:
                yield line, fields
            line = reader.line_num + 1
    except csv.Error as exc:
        raise ImportFileError(
            f"line {line}: the quotes of this row do not close ({exc}); mend the row, or cut the file there"
        ) from exc


def _extra_field(header: Sequence[str], rows: Sequence[tuple[int, list[str]]]) -> tuple[bool, bool] | None:
    """Tell whether rows have a row number in front or an empty field behind; None: neither, they do not fit."""
    longer = [fields for _, fields in rows if len(fields) == len(header) + 1]
    if len(longer) < (1 - _FEW_ROWS) * len(rows):
        return None
    if all(fields[-1] == "" for fields in longer):
        return False, True
    numbers = [int(fields[0]) if fields[0].strip().isdigit() else None for fields in longer]
    steps = {None if a is None or b is None else b - a for a, b in pairwise(numbers)}
    if None not in numbers and steps <= {1}:
        return True, False
    return None


def _try_layout(sample: Sequence[str], delimiter: str, wanted: Sequence[str]) -> Layout | None:
    """Return how the sample is cut by this delimiter, or None where it does not fit or lacks a wanted column."""
    try:
        rows = list(_rows(sample, delimiter))
    except ImportFileError:
        return None
    if len(rows) < 2 or len(rows[0][1]) < 2:
        return None
    header = tuple(name.strip() for name in rows[0][1])
    if any(column not in header for column in wanted):
        return None
    body = rows[1:]
    fitting = sum(len(fields) == len(header) for _, fields in body)
    if fitting >= max(1.0, (1 - _FEW_ROWS) * len(body)):
        return Layout(delimiter=delimiter, columns=header, row_number_first=False, spare_field_last=False, notes=())
    extra = _extra_field(header, body)
    if extra is None:
        return None
    row_number_first, spare_field_last = extra
    told = "an unnamed row number stands in front of each row" if row_number_first else "each row ends in a delimiter"
    return Layout(
        delimiter=delimiter,
        columns=header,
        row_number_first=row_number_first,
        spare_field_last=spare_field_last,
        notes=(f"{told}; it is passed over",),
    )


def find_layout(lines: Iterable[str], wanted: Sequence[str], *, delimiter: str | None = None) -> Layout:
    """Return how a file is cut, judged by its first rows.

    Args:
        lines: The file's lines with their ends, the header first.
        wanted: Column names that must be there.
        delimiter: The delimiter if the person gave it; None: found out.

    Raises:
        ImportFileError: No way of cutting fits, or more than one does.
    """
    sample = list(islice(lines, _SAMPLE_ROWS))
    if not sample:
        raise ImportFileError("the file is empty; nothing to import")
    candidates = [delimiter] if delimiter else list(DELIMITERS)
    fits = [layout for layout in (_try_layout(sample, each, wanted) for each in candidates) if layout is not None]
    if len(fits) == 1:
        return fits[0]
    if fits:
        names = " and ".join(DELIMITERS.get(layout.delimiter, layout.delimiter) for layout in fits)
        raise ImportFileError(f"fields could be parted by {names}; say which with --delimiter")
    raise ImportFileError(_why_nothing_fits(sample, wanted, candidates))


def _why_nothing_fits(sample: Sequence[str], wanted: Sequence[str], candidates: Sequence[str]) -> str:
    """Say what stands in the first line, so that the person can mend the call."""
    first = sample[0].rstrip("\r\n")
    best: list[str] = max(
        (next(csv.reader([first], delimiter=each), []) for each in candidates), key=len, default=[first]
    )
    missing = [column for column in wanted if column not in [name.strip() for name in best]]
    if missing:
        return (
            f"no column {', '.join(repr(name) for name in missing)} in line 1; it has: "
            f"{', '.join(repr(name.strip()) for name in best)} (--skip-lines N passes over lines before the header)"
        )
    return (
        f"the rows have another number of fields than line 1 ({first[:80]!r}); give --delimiter, "
        "or --skip-lines N if lines stand before the header"
    )


def read_rows(lines: Iterable[str], layout: Layout) -> Iterator[tuple[int, list[str] | None]]:
    """Yield each row after the header as (its first line's number, fields); None where the row does not fit.

    Line 1 is the header.
    """
    width = len(layout.columns) + layout.row_number_first + layout.spare_field_last
    rows = _rows(lines, layout.delimiter)
    next(rows, None)
    for line, fields in rows:
        if len(fields) != width:
            yield line, None
        else:
            yield line, fields[1:] if layout.row_number_first else fields
