"""How a logger writes times and numbers, found out from a whole column; two readings of it are refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import combinations
from zoneinfo import ZoneInfo

from monitor.errors import ImportFileError

MISSING = frozenset({"", "-", "--", "---", "na", "n/a", "nan", "null", "none", "#n/a"})
"""Fields that mean "no value", compared without case. Common practice, no source."""

_DAY_FORMS = (
    "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d",
    "%d.%m.%Y", "%m.%d.%Y", "%Y.%m.%d",
    "%d-%m-%Y", "%m-%d-%Y", "%Y-%m-%d",
    "%d/%m/%y", "%m/%d/%y", "%y/%m/%d",
    "%d.%m.%y", "%y.%m.%d",
)  # fmt: skip
_TIME_FORMS = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p")
_UNIX_SECONDS = (1e9, 1e10)  # 2001-09-09 to 2286-11-20
_UNIX_MILLISECONDS = (1e12, 1e13)

Reader = Callable[[str], datetime | None]


def _read_iso(text: str) -> datetime | None:
    """Read ISO 8601 / RFC 3339; a bare number is none."""
    if "-" not in text[4:]:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _read_unix(text: str, low: float, high: float, per_second: float) -> datetime | None:
    """Read a count since 1970 that lies in a plausible span."""
    try:
        count = float(text)
    except ValueError:
        return None
    if not low <= count < high:
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=count / per_second)


def _format_reader(form: str) -> Reader:
    """Return a reader of one strptime format."""

    def read(text: str) -> datetime | None:
        try:
            return datetime.strptime(text, form)  # noqa: DTZ007 - the zone is put on by place_in_zone
        except ValueError:
            return None

    return read


def _readers() -> dict[str, Reader]:
    """Return every known way of writing a time, by the name that --time-format takes."""
    readers: dict[str, Reader] = {
        "iso": _read_iso,
        "unix": lambda text: _read_unix(text, *_UNIX_SECONDS, 1.0),
        "unix-ms": lambda text: _read_unix(text, *_UNIX_MILLISECONDS, 1000.0),
    }
    for day in _DAY_FORMS:
        for hour in _TIME_FORMS:
            readers[f"{day} {hour}"] = _format_reader(f"{day} {hour}")
    return readers


class TimeColumn:
    """Finds out how a column of times is written, field by field, by ruling out what does not fit.

    A field that no way of writing fits is an error of its row and rules out nothing.
    """

    def __init__(self, given: str | None = None) -> None:
        """Start with every known way, or with the one that the person gave (a name or a strptime format)."""
        known = _readers()
        self._open: dict[str, Reader]
        if given is None:
            self._open = known
        else:
            self._open = {given: known[given] if given in known else _format_reader(given)}
        self._first: str | None = None
        self._fitted = False
        self._apart: dict[frozenset[str], str] = {}  # two ways -> a field that they read differently

    def look_at(self, text: str) -> None:
        """Rule out every way of writing that does not read this field."""
        self._first = self._first or text
        if len(self._open) == 1:
            self._fitted = True
            return
        read = {name: reader(text) for name, reader in self._open.items()}
        fits = {name: instant for name, instant in read.items() if instant is not None}
        if not fits:
            return
        self._fitted = True
        self._open = {name: self._open[name] for name in fits}
        for one, other in combinations(fits, 2):
            if fits[one] != fits[other]:
                self._apart.setdefault(frozenset((one, other)), text)

    def settle(self) -> Reader:
        """Return the one reader that is left; ways that read every field alike are one.

        Raises:
            ImportFileError: Nothing reads the column, or several ways do and differ.
        """
        names = list(self._open)
        if not self._fitted:
            raise ImportFileError(
                f"no known way of writing a time fits {self._first or ''!r}; give --time-format, e.g. '%d.%m.%Y %H:%M'"
            )
        for one, other in combinations(names, 2):
            field = self._apart.get(frozenset((one, other)))
            if field is not None:
                raise ImportFileError(f"{field!r} can be read as '{one}' or as '{other}'; say which with --time-format")
        return self._open[names[0]]


def place_in_zone(wall: datetime, zone: ZoneInfo | None, previous: datetime | None) -> datetime:
    """Return the UTC instant of a time as the file has it.

    A local time that occurs twice is taken as the first, unless the row before already lies past that:
    loggers write forward in time.

    Args:
        wall: The time read; aware where the file gives an offset.
        zone: Zone of times without offset.
        previous: Instant of the row before, or None.

    Raises:
        ImportFileError: No offset and no zone, or a local time that the clock change skipped.
    """
    if wall.tzinfo is not None:
        return wall.astimezone(UTC)
    if zone is None:
        raise ImportFileError(
            "the times have no offset; say whose clock they are with --zone, e.g. --zone Europe/Madrid, --zone UTC, "
            "or --zone farm for the farm's own"
        )
    first = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    second = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)
    if second < first:
        raise ImportFileError(f"{wall} does not exist in {zone.key}: the clock change skips it")
    if second > first and previous is not None and previous >= first:
        return second
    return first


_WITH_COMMA = re.compile(r"^[+-]?\d+,\d+$")
_THOUSANDS_COMMA = re.compile(r"^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$")


class NumberColumn:
    """Finds out whether the comma of a column is a decimal comma or parts thousands."""

    def __init__(self, decimal: str | None = None) -> None:
        """Start open, or with the decimal sign that the person gave (``.`` or ``,``)."""
        self._given = decimal
        self._decimal_comma = False
        self._point = False
        self._either: str | None = None

    def look_at(self, text: str) -> None:
        """Take one field into account."""
        if "," not in text:
            self._point = self._point or "." in text
        elif _THOUSANDS_COMMA.match(text):
            if "." in text or text.count(",") > 1:
                self._point = True
            else:
                self._either = text
        elif _WITH_COMMA.match(text):
            self._decimal_comma = True

    def settle(self, column: str) -> str:
        """Return the decimal sign.

        Raises:
            ImportFileError: The column can be read both ways, or mixes them.
        """
        if self._given:
            return self._given
        if self._decimal_comma and self._point:
            raise ImportFileError(f"column {column!r} has both decimal points and decimal commas; give --decimal")
        if self._decimal_comma:
            return ","
        if self._either is not None and not self._point:
            raise ImportFileError(
                f"{self._either!r} in column {column!r} can be read as a decimal comma or as thousands; "
                "say which with --decimal , or --decimal ."
            )
        return "."


def read_number(text: str, decimal: str) -> float | None:
    """Return a field as a number; None where it is missing or no number, and NaN or infinity is no number."""
    plain = text.replace(",", "") if decimal == "." else text.replace(".", "").replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if value - value == 0 else None
