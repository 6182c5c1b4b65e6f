"""The same readings in plain SQLite rows, in Debian's InfluxDB 1.6.7 and in Debian's VictoriaMetrics, for comparison.

A peer keeps value and one whole number for flag and doubt, the leanest that it can keep of what we keep. Time to read
is until all bytes of its answer have come; nothing is made of them, which is in its favour.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import threading
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol
from urllib.parse import urlencode

from collectors.embedded_broker import free_port
from monitor.series import Series
from tests.support.influx import CONFIG, wait_until

_LINES = 20_000
_COLD = """
[data]
cache-snapshot-write-cold-duration = "1s"
compact-full-write-cold-duration = "5s"
"""


class Peer(Protocol):
    """A store to compare with."""

    name: str

    def write(self, name: str, series: Series) -> None:
        """Write some readings of one series."""
        ...

    def settle(self) -> None:
        """Have all written packed as tightly as it ever is."""
        ...

    def read(self, name: str, start_ms: int, end_ms: int) -> int:
        """Fetch readings of a span; return the bytes or rows that came."""
        ...


def size_of(folder: Path) -> int:
    """Return the room that all files in a folder take on disk; files with holes are not charged for these. [bytes]."""
    return sum(512 * path.stat().st_blocks for path in folder.rglob("*") if path.is_file())


def settled_size(folder: Path, *, quiet_looks: int = 12, most_looks: int = 1_200) -> int:
    """Return the length of a folder's files once it has not changed for some looks, one each quarter of a second."""
    pause, last, quiet = threading.Event(), -1, 0
    for _ in range(most_looks):
        now = size_of(folder)
        quiet = quiet + 1 if now == last else 0
        if quiet == quiet_looks:
            break
        last = now
        pause.wait(0.25)
    return last


def _marks(series: Series) -> list[int]:
    """Return flag and doubt as one number each."""
    return [
        int(flag) + 16 * int(doubt) for flag, doubt in zip(series.flag.tolist(), series.doubt.tolist(), strict=True)
    ]


class PlainRows:
    """Rows of a SQLite table, primary key (sensor, at) without rowid."""

    name = "SQLite rows"

    def __init__(self, folder: Path) -> None:
        """Begin the file."""
        self._path = folder / "rows.db"
        self._connection = sqlite3.connect(self._path, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode=WAL")
        self._connection.execute(
            "CREATE TABLE reading (sensor INTEGER NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL, "
            "flag INTEGER NOT NULL, doubt INTEGER NOT NULL, PRIMARY KEY (sensor, at)) WITHOUT ROWID"
        )

    def write(self, name: str, series: Series) -> None:
        """Write some readings of one series."""
        columns = (series.at_ms.tolist(), series.value.tolist(), series.flag.tolist(), series.doubt.tolist())
        number = int(name[1:])
        self._connection.execute("BEGIN")
        self._connection.executemany(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?)", ((number, *row) for row in zip(*columns, strict=True))
        )
        self._connection.execute("COMMIT")

    def settle(self) -> None:
        """Write the log into the file."""
        self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def read(self, name: str, start_ms: int, end_ms: int) -> int:
        """Fetch the rows of a span."""
        query = "SELECT at, value, flag, doubt FROM reading WHERE sensor = ? AND at >= ? AND at < ? ORDER BY at"
        return len(self._connection.execute(query, (int(name[1:]), start_ms, end_ms)).fetchall())

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()


def _ask(url: str, body: bytes | None = None) -> bytes:
    """Return a server's answer."""
    with urllib.request.urlopen(url, data=body, timeout=600) as answer:
        return bytes(answer.read())


class Influx:
    """A point a reading: fields value and flag, tag sensor."""

    name = "InfluxDB 1.6.7"

    def __init__(self, url: str, folder: Path) -> None:
        """Make the database."""
        self._url, self._folder = url, folder
        _ask(f"{url}/query?" + urlencode({"q": "CREATE DATABASE bench"}), b"")

    def write(self, name: str, series: Series) -> None:
        """Write some readings of one series."""
        rows = zip(series.at_ms.tolist(), series.value.tolist(), _marks(series), strict=True)
        lines = [f"temperature,sensor={name} value={value!r},flag={mark}i {at}" for at, value, mark in rows]
        for begin in range(0, len(lines), _LINES):
            body = "\n".join(lines[begin : begin + _LINES]).encode()
            _ask(f"{self._url}/write?db=bench&precision=ms", body)

    def settle(self) -> None:
        """Wait until its shards have gone cold and are compacted in full."""
        settled_size(self._folder, quiet_looks=60)

    def read(self, name: str, start_ms: int, end_ms: int) -> int:
        """Fetch a span as CSV."""
        span = f"time >= {start_ms}ms AND time < {end_ms}ms"
        query = f"SELECT value, flag FROM temperature WHERE sensor = '{name}' AND {span}"
        request = urllib.request.Request(
            f"{self._url}/query?" + urlencode({"db": "bench", "epoch": "ms", "q": query}),
            headers={"Accept": "application/csv"},
        )
        with urllib.request.urlopen(request, timeout=600) as answer:
            return len(answer.read())


@contextmanager
def influx(binary: str, folder: Path) -> Iterator[Influx]:
    """Run an InfluxDB whose shards go cold after seconds instead of hours."""
    folder.mkdir()
    http, rpc = free_port(), free_port()
    text = CONFIG.format(folder=folder / "data", http=http, rpc=rpc).replace("[data]\n", _COLD.lstrip())
    (folder / "influxdb.conf").write_text(text, encoding="utf-8")
    with _running(
        [binary, "-config", str(folder / "influxdb.conf")], folder / "log.txt", f"http://127.0.0.1:{http}/ping"
    ):
        yield Influx(f"http://127.0.0.1:{http}", folder / "data")


class Victoria:
    """Two series a sensor, value and flag."""

    name = "VictoriaMetrics 1.79.5"

    def __init__(self, url: str, folder: Path) -> None:
        """Take the server."""
        self._url, self._folder = url, folder

    def write(self, name: str, series: Series) -> None:
        """Write some readings of one series."""
        at = series.at_ms.tolist()
        for field, values in (("value", series.value.tolist()), ("flag", _marks(series))):
            metric = {"__name__": f"reading_{field}", "sensor": name}
            line = json.dumps({"metric": metric, "values": values, "timestamps": at}, separators=(",", ":"))
            _ask(f"{self._url}/api/v1/import", line.encode())

    def settle(self) -> None:
        """Have it merge all it has."""
        _ask(f"{self._url}/internal/force_flush")
        _ask(f"{self._url}/internal/force_merge")
        wait_until(lambda: b"vm_active_force_merges 0" in _ask(f"{self._url}/metrics"), seconds=3_600)
        settled_size(self._folder, quiet_looks=20)

    def read(self, name: str, start_ms: int, end_ms: int) -> int:
        """Fetch a span of both series as JSON."""
        match = '{__name__=~"reading_.*",sensor="' + name + '"}'
        span = {"match[]": match, "start": f"{start_ms / 1000:.3f}", "end": f"{(end_ms - 1) / 1000:.3f}"}
        return len(_ask(f"{self._url}/api/v1/export?" + urlencode(span)))


@contextmanager
def victoria(binary: str, folder: Path) -> Iterator[Victoria]:
    """Run a VictoriaMetrics that keeps a hundred years."""
    folder.mkdir()
    port = free_port()
    command = [
        binary,
        f"-storageDataPath={folder / 'data'}",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-retentionPeriod=100y",
        "-loggerLevel=WARN",
    ]
    with _running(command, folder / "log.txt", f"http://127.0.0.1:{port}/health"):
        yield Victoria(f"http://127.0.0.1:{port}", folder / "data")


@contextmanager
def _running(command: list[str], log: Path, health: str) -> Iterator[None]:
    """Run a server until the end of the block."""
    with log.open("wb") as out:
        server = subprocess.Popen(command, stdout=out, stderr=out)
        try:
            answers: Callable[[], bool] = lambda: _ask(health) is not None  # noqa: E731 # waited for by condition
            wait_until(answers, seconds=60)
            yield
        finally:
            server.terminate()
            server.wait(120)
