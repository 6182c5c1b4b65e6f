"""Readings in InfluxDB: line protocol over its v2 write API, InfluxQL over /query; the same protocol as SQLite's.

Measurement per quantity, tags sensor and spot, fields value, flag and doubt, instants in ms.
"""

from __future__ import annotations

import csv
import logging
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from monitor.errors import RejectedRowsError, StoreError, StoreUnavailableError
from monitor.farm import InfluxSettings
from monitor.readings import Block, Doubt, Flag, Quantity, Reading, from_ms, to_ms
from monitor.rolling import Rolled, Width
from monitor.stores.rolled import rolled_on_read

log = logging.getLogger(__name__)

_BATCH = 10_000
_TIMEOUT_MS = 30_000
_CHUNK = 1 << 16
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


def _quoted(text: str) -> str:
    """Return a text as a string literal of InfluxQL."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


class InfluxReadingStore:
    """Readings keyed by (sensor, instant in ms) in an InfluxDB 1.8, 2.x or 3.x; the later write wins."""

    def __init__(self, settings: InfluxSettings, token: str, where: Mapping[str, tuple[Quantity, str]]) -> None:
        """Connect, and see that the database is there.

        Args:
            settings: Address and database.
            token: Its token; never logged.
            where: Sensor -> (quantity, spot), for measurement and tags; unknown sensors are kept as 'other'.

        Raises:
            StoreUnavailableError: The server does not answer.
            StoreError: The database is not there, or the token is refused.
        """
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._settings, self._where = settings, dict(where)
        self._client = InfluxDBClient(url=settings.url, token=token, org="-", timeout=_TIMEOUT_MS)
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._closed = False
        try:
            known = [row["name"] for row in self._query("SHOW DATABASES", database=False)]
            if settings.database not in known:
                raise StoreError(
                    f"the InfluxDB at {settings.url} has no database {settings.database!r} (it has: "
                    f"{', '.join(known) or 'none'}); make it there, or mend [storage.influx] in farm.toml"
                )
        except BaseException:
            self.close()
            raise

    def __repr__(self) -> str:
        """Return what may be shown; the token may not."""
        return f"InfluxReadingStore({self._settings.url!r}, {self._settings.database!r})"

    # -- writing --------------------------------------------------------------------------------------------

    def _lines(self, block: Block) -> list[str]:
        """Return a block as line protocol."""
        heads = []
        for sensor in block.sensors:
            quantity, spot = self._where.get(sensor, (None, "none"))
            heads.append(f"{quantity.value if quantity else 'other'},sensor={tag(sensor)},spot={tag(spot)}")
        rows = zip(
            block.sensor_index.tolist(),
            block.measured_at_ms.tolist(),
            block.value.tolist(),
            block.flag.tolist(),
            block.doubt.tolist(),
            strict=True,
        )
        return [f"{heads[i]} value={v!r},flag={f}i,doubt={d}i {at}" for i, at, v, f, d in rows]

    def append(self, block: Block) -> None:
        """Keep a block; see ReadingStore.append."""
        lines = self._lines(block)
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

    def _query(self, query: str, *, database: bool = True) -> Iterator[dict[str, str]]:
        """Yield the rows of an InfluxQL query as the server's CSV has them."""
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
            with self._transport("reading"):
                yield from _csv_rows(_text_lines(response.stream(_CHUNK)))
        finally:
            response.release_conn()

    def _measurement(self, sensor: str) -> str:
        """Return the measurement that a sensor's readings are in, as a regular expression where it is not known."""
        known = self._where.get(sensor)
        return f'"{known[0].value}"' if known else "/.*/"

    def _rows(self, sensor: str, condition: str, tail: str = "") -> Iterator[tuple[int, float, int, int]]:
        """Yield (ms, value, flag, doubt) of one sensor."""
        query = (
            f'SELECT "value", "flag", "doubt" FROM {self._measurement(sensor)} '
            f'WHERE "sensor" = {_quoted(sensor)}{condition} {tail}'
        )
        for row in self._query(query):
            yield int(row["time"]), float(row["value"]), int(row["flag"]), int(row["doubt"])

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span; see ReadingStore.read."""
        names = tuple(sensors)
        condition = f" AND time >= {to_ms(start)}ms AND time < {to_ms(end)}ms"
        rows = [
            (index, *row)
            for index, name in enumerate(names)
            for row in self._rows(name, condition, "ORDER BY time ASC")
        ]
        return Block.from_rows(names, rows)

    def latest(self, sensors: Sequence[str]) -> dict[str, Reading]:
        """Return each sensor's newest reading; see ReadingStore.latest."""
        found = {}
        for name in sensors:
            for at_ms, value, flag, doubt in self._rows(name, "", "ORDER BY time DESC LIMIT 1"):
                found[name] = Reading(
                    sensor=name, measured_at=from_ms(at_ms), value=value, flag=Flag(flag), doubt=Doubt(doubt)
                )
        return found

    def sensors(self) -> tuple[str, ...]:
        """Return the names of all sensors with a reading, sorted."""
        return tuple(sorted({row["value"] for row in self._query('SHOW TAG VALUES WITH KEY = "sensor"')}))

    def count(self) -> int:
        """Return how many readings are kept."""
        return sum(int(row["count"]) for row in self._query('SELECT count("value") FROM /.*/'))

    def rolled(self, sensors: Sequence[str], start: datetime, end: datetime, width: Width) -> Rolled:
        """Return rolled-up series, worked out from the readings; see ReadingStore.rolled."""
        return rolled_on_read(self.read, sensors, start, end, width)

    def roll_up(self, until: datetime) -> int:
        """Do nothing: this store rolls up on reading."""
        return 0

    def rebuild_rolled(self) -> int:
        """Do nothing: this store rolls up on reading."""
        return 0

    def close(self) -> None:
        """Let go of the connection; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._writer.close()  # type: ignore[no-untyped-call] # untyped in the library
            self._client.close()  # type: ignore[no-untyped-call] # untyped in the library


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
        if isinstance(exc, ApiException):
            status = int(exc.status or 0)
            if status == 429 or status >= 500 or status == 0:
                raise StoreUnavailableError(f"{where}: it answers {status} {exc.reason}; tried again later") from exc
            if status in (401, 403):
                raise StoreError(f"{where}: the token is refused ({status}); see token_file in farm.toml") from exc
            if self._what == "reading" or status == 404:
                raise StoreError(f"{where}: it answers {status}: {_said(exc)}") from exc
            return
        if isinstance(exc, HTTPError | OSError):
            raise StoreUnavailableError(
                f"{where}: it does not answer ({type(exc).__name__}); tried again later"
            ) from exc


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
