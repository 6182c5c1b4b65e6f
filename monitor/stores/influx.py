"""Readings in InfluxDB: line protocol over its v2 write API, InfluxQL over /query; the same protocol as SQLite's.

Measurement per quantity, tags sensor and spot, fields value, flag and doubt, instants in ms.
"""

from __future__ import annotations

import csv
import logging
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

import numpy as np

from monitor.errors import RejectedRowsError, StoreError, StoreUnavailableError
from monitor.farm import InfluxSettings
from monitor.readings import Block, Flag, Quantity, Reading, to_ms
from monitor.stores.overlay import laid_over
from monitor.stores.rolled import RolledOnRead

log = logging.getLogger(__name__)

_BATCH = 10_000
_PATIENCE = timedelta(seconds=30)
_SENSORS_AT_ONCE = 50
"""In one question, whose text is part of an address."""
_CHUNK = 1 << 16
_ROWS_AT_ONCE = 100_000
_ANSWERED_IN_SECONDS, _MOST_WINDOWS = 500_000, 1_000
"""So many readings are asked for in one question, about; and so many questions follow each other at most. Ours."""
_LONGEST_REST = timedelta(hours=1)
"""However long a server asks to be left alone."""
_NOT_EVALUATED = int(Flag.NOT_EVALUATED)
_ESCAPES = str.maketrans({",": "\\,", " ": "\\ ", "=": "\\="})
_UNWRITABLE = re.compile(r"[\\\r\n\t]")


def tag(text: str) -> str:
    """Return a text as a tag value of the line protocol.

    Raises:
        StoreError: It has a backslash, tab or line end, which a tag cannot carry unharmed.
    """
    if not text or _UNWRITABLE.search(text):
        raise StoreError(f"{text!r} cannot be a name in InfluxDB; use letters, digits, - _ . and / in sensor ids")
    return text.translate(_ESCAPES)


def lines_of(
    block: Block, where: Mapping[str, tuple[Quantity, str]], *, values: bool = True, flags_later: bool = False
) -> list[str]:
    """Return a block as line protocol, one line a reading, in its order.

    Args:
        block: Readings.
        where: Sensor -> (quantity, spot); unknown sensors are kept as 'other'.
        values: Write the values too; else flag and doubt alone, of readings that are there.
        flags_later: Of readings that are not evaluated write neither flag nor a doubt that is none, so that a value
            handed over again leaves alone what was found of it meanwhile.

    Raises:
        StoreError: A sensor's name cannot be a tag.
    """
    heads = []
    for sensor in block.sensors:
        quantity, spot = where.get(sensor, (None, "none"))
        heads.append(f"{quantity.value if quantity else 'other'},sensor={tag(sensor)},spot={tag(spot)} ")
    rows = block.plain()
    if not values:
        return [f"{heads[i]}flag={f}i,doubt={d}i {at}" for i, at, _, f, d in rows]
    if flags_later:
        return [f"{heads[i]}value={v!r}{_found(f, d)} {at}" for i, at, v, f, d in rows]
    return [f"{heads[i]}value={v!r},flag={f}i,doubt={d}i {at}" for i, at, v, f, d in rows]


def _found(flag: int, doubt: int) -> str:
    """Return the fields that say what was found of a reading, as far as anything was."""
    if flag != _NOT_EVALUATED:
        return f",flag={flag}i,doubt={doubt}i"
    return f",doubt={doubt}i" if doubt else ""


def _windows(sensors: int, start_ms: int, end_ms: int) -> Iterator[tuple[int, int]]:
    """Yield spans that together are one, each of which a server answers in seconds where sensors speak once a minute.

    None is shorter than an hour, and however long a span without readings is, there are not many.
    """
    step_ms = max(_ANSWERED_IN_SECONDS // max(sensors, 1), 60, (end_ms - start_ms) // 60_000 // _MOST_WINDOWS) * 60_000
    for begin_ms in range(start_ms, end_ms, step_ms):
        yield begin_ms, min(begin_ms + step_ms, end_ms)


def _question(measurement: str, condition: str, tail: str) -> str:
    """Return the InfluxQL that asks for readings of a measurement under a condition, if there is any."""
    where = f"WHERE {condition} " if condition else ""
    return f'SELECT "value", "flag", "doubt" FROM {measurement} {where}GROUP BY "sensor" {tail}'


def _quoted(text: str) -> str:
    """Return a text as a string literal of InfluxQL."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


class InfluxReadingStore(RolledOnRead):
    """Readings keyed by (sensor, instant in ms) in an InfluxDB 1.8, 2.x or 3.x; the later write wins.

    Each write goes to the server at once and is tried once; monitor/stores/spooled.py puts a queue on disk before it.
    """

    def __init__(
        self,
        settings: InfluxSettings,
        token: str,
        where: Mapping[str, tuple[Quantity, str]],
        *,
        patient: bool = False,
        patience: timedelta = _PATIENCE,
        ask: bool = True,
        flags_later: bool = False,
    ) -> None:
        """Connect, and see that the database is there.

        Args:
            settings: Address and database.
            token: Its token; never logged.
            where: Sensor -> (quantity, spot), for measurement and tags; unknown sensors are kept as 'other'.
            patient: A server that does not answer is no error now: it is looked at before the first write.
            patience: How long an answer may take.
            ask: See that the database is there.
            flags_later: Somebody else finds out what is odd about the readings; see lines_of.

        Raises:
            StoreUnavailableError: The server does not answer.
            StoreError: The database is not there, or the token is refused.
        """
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._settings, self._where, self._flags_later = settings, dict(where), flags_later
        self._known = Counter(f'"{quantity.value}"' for quantity, _ in self._where.values())
        timeout_ms = round(patience.total_seconds() * 1000)
        self._client = InfluxDBClient(url=settings.url, token=token, org="-", timeout=timeout_ms)
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._closed, self._is_checked = False, not ask
        try:
            self._check()
        except BaseException as exc:
            if patient and isinstance(exc, StoreUnavailableError):
                log.warning("influx.not_there_yet why=%s", exc)
            else:
                self.close()
                raise

    @classmethod
    def of_writes_only(
        cls, settings: InfluxSettings, token: str, where: Mapping[str, tuple[Quantity, str]]
    ) -> InfluxReadingStore:
        """Return a store for an engine that takes line protocol and knows no InfluxQL: no database is looked for."""
        return cls(settings, token, where, ask=False)

    def _check(self) -> None:
        """See once that the database is there, since the server takes questions about any and answers nothing.

        Raises:
            StoreError: It is not, or the server does not answer.
        """
        if self._is_checked:
            return
        known = [row["name"] for row in self._query("SHOW DATABASES", database=False)]
        if self._settings.database not in known:
            raise StoreError(
                f"the InfluxDB at {self._settings.url} has no database {self._settings.database!r} (it has: "
                f"{', '.join(known) or 'none'}); make it there, or mend [storage.influx] in farm.toml"
            )
        self._is_checked = True

    def __repr__(self) -> str:
        """Return what may be shown; the token may not."""
        return f"InfluxReadingStore({self._settings.url!r}, {self._settings.database!r})"

    # -- writing --------------------------------------------------------------------------------------------

    def append(self, block: Block) -> None:
        """Keep a block; see ReadingStore.append."""
        self._check()
        self._write_all(lines_of(block, self._where, flags_later=self._flags_later))

    def append_flags(self, block: Block) -> None:
        """Write flag and doubt of readings that are there; their values stay as they are.

        Raises:
            RejectedRowsError: The server refuses some for good.
            StoreUnavailableError: It does not take them now.
        """
        self._check()
        self._write_all(lines_of(block, self._where, values=False))

    def _write_all(self, lines: Sequence[str]) -> None:
        """Write lines; see append."""
        refused: list[tuple[str, str]] = []
        for start in range(0, len(lines), _BATCH):
            self._write(lines[start : start + _BATCH], refused)
        if refused:
            raise RejectedRowsError(refused)

    def _write(self, lines: Sequence[str], refused: list[tuple[str, str]]) -> None:
        """Write lines; those that the server refuses are found by halving, since it need not name them."""
        from influxdb_client.domain.write_precision import WritePrecision
        from influxdb_client.rest import ApiException

        bucket = f"{self._settings.database}/{self._settings.retention_policy}"
        try:
            with self._transport("writing"):
                self._writer.write(bucket=bucket, record="\n".join(lines), write_precision=WritePrecision.MS)  # type: ignore[arg-type] # its constants are texts
        except ApiException as exc:
            if len(lines) == 1:
                refused.append((lines[0], _said(exc)))
                return
            middle = len(lines) // 2
            self._write(lines[:middle], refused)
            self._write(lines[middle:], refused)

    def _transport(self, what: str) -> _Transport:
        """Return the context that turns the library's errors into ours."""
        return _Transport(what, self._settings.url)

    # -- reading --------------------------------------------------------------------------------------------

    @contextmanager
    def _answer(self, query: str, *, database: bool = True) -> Iterator[Any]:
        """Give the server's answer to an InfluxQL query, CSV that has not been read yet."""
        parameters = [("q", query), ("epoch", "ms"), ("chunked", "true"), ("chunk_size", "10000")]
        if database:
            parameters += [("db", self._settings.database), ("rp", self._settings.retention_policy)]
        with self._transport("reading"):
            response: Any = self._client.api_client.call_api(  # type: ignore[no-untyped-call] # untyped there
                "/query",
                "GET",
                query_params=parameters,
                header_params={"Accept": "application/csv"},
                _preload_content=False,
                _return_http_data_only=True,
                response_type="file",
            )
        try:
            yield response
        finally:
            response.release_conn()

    def _query(self, query: str, *, database: bool = True) -> Iterator[dict[str, str]]:
        """Yield the rows of an InfluxQL query as the server's CSV has them."""
        with self._answer(query, database=database) as response, self._transport("reading"):
            yield from _csv_rows(_text_lines(response.stream(_CHUNK)))

    def _questions(self, sensors: Sequence[str], condition: str, tail: str) -> Iterator[str]:
        """Yield the questions that ask for some sensors, each of one measurement, or of all where it is not known.

        Where most sensors of a measurement are asked for, one question asks for all of them; who reads leaves the
        others out.
        """
        groups: dict[str, list[str]] = {}
        for name in dict.fromkeys(sensors):
            known = self._where.get(name)
            groups.setdefault(f'"{known[0].value}"' if known else "/.*/", []).append(name)
        for measurement, names in groups.items():
            if len(names) > _SENSORS_AT_ONCE and 2 * len(names) > self._known[measurement]:
                yield _question(measurement, condition.removeprefix(" AND "), tail)
                continue
            for begin in range(0, len(names), _SENSORS_AT_ONCE):
                asked = " OR ".join(f'"sensor" = {_quoted(name)}' for name in names[begin : begin + _SENSORS_AT_ONCE])
                yield _question(measurement, f"({asked}){condition}", tail)

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        names = tuple(sensors)
        blocks = [
            block
            for begin_ms, end_ms in _windows(len(names), to_ms(start), to_ms(end))
            for question in self._questions(
                names, f" AND time >= {begin_ms}ms AND time < {end_ms}ms", "ORDER BY time ASC"
            )
            for block in self._blocks(question, names)
        ]
        return laid_over(Block.from_rows(names, ()), Block.concat(blocks), names)

    def _blocks(self, question: str, names: tuple[str, ...]) -> Iterator[Block]:
        """Yield the answer to a question in blocks, as the server's CSV comes in."""
        import pandas as pd

        place = {f"sensor={spelt}": at for at, name in enumerate(names) for spelt in (name, tag(name))}
        kinds: Any = {"name": str, "tags": "category"}
        with self._answer(question) as response, self._transport("reading"):
            try:
                frames = pd.read_csv(response, chunksize=_ROWS_AT_ONCE, dtype=kinds)
            except pd.errors.EmptyDataError:  # nothing is kept of these, or in this span
                return
            for frame in frames:
                if "error" in frame.columns:
                    raise StoreError(f"the InfluxDB answers: {frame['error'].iloc[0]}")
                codes = frame["tags"].cat.codes.to_numpy()
                lookup = np.array([place.get(str(each), -1) for each in frame["tags"].cat.categories], dtype=np.int32)
                index = lookup[codes]
                if (index < 0).any():  # sensors that were not asked for
                    frame, index = frame[index >= 0], index[index >= 0]
                block = Block(
                    sensors=names,
                    sensor_index=index,
                    measured_at_ms=frame["time"].to_numpy(np.int64),
                    value=frame["value"].to_numpy(np.float64),
                    flag=frame["flag"].fillna(_NOT_EVALUATED).to_numpy(np.int8),
                    doubt=frame["doubt"].fillna(0).to_numpy(np.int16),
                )
                yield _with_values(block)

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; see ReadingStore.latest."""
        found: dict[str, Reading] = {}
        for question in self._questions(sensors, "", "ORDER BY time DESC LIMIT 2"):
            for row in self._blocks(question, tuple(sensors)):  # two rows: see _with_values
                for each in row.readings():
                    if each.sensor not in found or found[each.sensor].measured_at <= each.measured_at:
                        found[each.sensor] = each
        return found

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors with a reading, sorted."""
        return tuple(sorted({row["value"] for row in self._query('SHOW TAG VALUES WITH KEY = "sensor"')}))

    def count(self) -> int:
        """Return how many readings are kept."""
        return sum(int(row["count"]) for row in self._query('SELECT count("value") FROM /.*/'))

    def close(self) -> None:
        """Let go of the connection; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._writer.close()  # type: ignore[no-untyped-call] # untyped in the library
            self._client.close()  # type: ignore[no-untyped-call] # untyped in the library


def _with_values(block: Block) -> Block:
    """Return a block whose flags without a value are those of the reading of that sensor and instant, if there is one.

    A sensor that stands in another room of farm.toml than when its reading was stored has its flag in a row of its own.
    """
    bare = np.isnan(block.value)
    if not bare.any():
        return block
    kept = block.rows(np.flatnonzero(~bare))
    keys = zip(kept.sensor_index.tolist(), kept.measured_at_ms.tolist(), strict=True)
    place = {key: row for row, key in enumerate(keys)}
    for row in np.flatnonzero(bare).tolist():
        at = place.get((int(block.sensor_index[row]), int(block.measured_at_ms[row])))
        if at is not None:
            kept.flag[at], kept.doubt[at] = block.flag[row], block.doubt[row]
    return kept


class _Transport:
    """Turns what the client library raises into our errors; a refusal for good passes as it is while writing."""

    def __init__(self, what: str, url: str) -> None:
        """Take what is being done, and where."""
        self._what, self._url = what, url

    def __enter__(self) -> None:
        """Begin."""

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, _trace: object) -> None:
        """Map an error."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        if exc is None:
            return
        where = f"{self._what} at the InfluxDB {self._url}"
        again = "see that it runs and can be reached" if self._what == "reading" else "tried again later"
        if isinstance(exc, ApiException):
            status = int(exc.status or 0)
            if status == 429 or status >= 500 or status == 0:
                raise StoreUnavailableError(
                    f"{where}: it answers {status} {exc.reason}; {again}", again_in=_retry_after(exc)
                ) from exc
            if status in (401, 403):
                raise StoreError(f"{where}: the token is refused ({status}); see token_file in farm.toml") from exc
            if self._what == "reading" or status == 404:
                raise StoreError(f"{where}: it answers {status}: {_said(exc)}") from exc
            return
        if isinstance(exc, HTTPError | OSError):
            raise StoreUnavailableError(f"{where}: it does not answer ({type(exc).__name__}); {again}") from exc


def _retry_after(exc: Any) -> timedelta | None:
    """Return how long the server asks to be left alone, in seconds or until a date; None: it does not say.

    Source: [RFC9110] section 10.2.3.
    """
    said = str((exc.headers or {}).get("Retry-After", "")).strip()
    if said.isascii() and said.isdigit():
        return min(timedelta(seconds=int(said[:9])), _LONGEST_REST)
    try:
        until = parsedate_to_datetime(said)
        begun = parsedate_to_datetime(str((exc.headers or {}).get("Date", "")))
        return min(max(until - begun, timedelta(0)), _LONGEST_REST)
    except (TypeError, ValueError):  # no such header, no date, or one without its zone
        return None


def _said(exc: Any) -> str:
    """Return the server's own words."""
    body = exc.body if isinstance(exc.body, str) else (exc.body or b"").decode("utf-8", "replace")
    return body.strip() or str(exc.reason)


def _text_lines(chunks: Iterable[bytes]) -> Iterator[str]:
    """Yield the lines of a body that comes in chunks; its texts have no line ends of their own."""
    rest = b""
    for chunk in chunks:
        *lines, rest = (rest + chunk).split(b"\n")
        yield from (line.decode("utf-8") for line in lines)
    if rest:
        yield rest.decode("utf-8")


def _csv_rows(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    """Yield rows of the server's CSV; an empty line begins another result with a header of its own."""
    header: list[str] | None = None
    for fields in csv.reader(lines):
        if not fields:
            header = None
        elif header is None or fields[:2] == ["name", "tags"]:
            header = fields
        else:
            row = dict(zip(header, fields, strict=False))
            if row.get("error"):
                raise StoreError(f"the InfluxDB answers: {row['error']}")
            yield row
