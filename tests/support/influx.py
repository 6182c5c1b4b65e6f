"""A real InfluxDB 1.6 on free ports, behind a small proxy that maps the v2 write path as 1.8 and later do."""

from __future__ import annotations

import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPException
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar
from urllib.parse import parse_qs, urlencode, urlsplit

from collectors.embedded_broker import free_port

CONFIG = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{http}"
log-enabled = false
[monitor]
store-enabled = false
"""


def wait_until(condition: object, seconds: float = 20.0) -> None:
    """Wait until a callable answers without raising, looked at every tenth of a second."""
    assert callable(condition)
    pause = threading.Event()
    for _ in range(int(seconds * 10)):
        try:
            if condition():
                return
        except OSError:
            pass
        pause.wait(0.1)
    raise AssertionError(f"nothing answered within {seconds} s")


@dataclass(frozen=True)
class Fault:
    """What goes wrong with one write: an answer instead of the write, or none though it was written.

    Attributes:
        status: Answered instead of writing; None: it is written.
        headers: With the answer.
        swallow: The answer waits for this.
    """

    status: int | None = None
    headers: dict[str, str] | None = None
    swallow: threading.Event | None = None


class _Proxy(BaseHTTPRequestHandler):
    """Passes requests on; /api/v2/write becomes /write. A fault in the list is used up by one write each."""

    backend = 0
    faults: ClassVar[list[Fault]]
    written: ClassVar[list[int]]

    def _pass_on(self) -> None:
        parts = urlsplit(self.path)
        fault = self.faults.pop(0) if parts.path == "/api/v2/write" and self.faults else None
        if fault is not None and fault.status is not None:
            self.rfile.read(int(self.headers.get("Content-Length") or 0))
            self._answer(fault.status, "application/json", b'{"error":"a fault of the test"}', fault.headers)
            return
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        path = parts.path
        if path == "/api/v2/write":
            database, _, policy = query["bucket"].partition("/")
            path, query = "/write", {"db": database, "rp": policy, "precision": query.get("precision", "ns")}
        length = int(self.headers.get("Content-Length") or 0)
        body = self.rfile.read(length) if length else None
        url = f"http://127.0.0.1:{self.backend}{path}?{urlencode(query)}"
        request = urllib.request.Request(url, data=body, method=self.command)
        for name in ("Accept", "Content-Encoding", "Content-Type"):
            if name in self.headers:
                request.add_header(name, self.headers[name])
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                said = answer.read()
            if parts.path == "/api/v2/write" and body is not None:
                self.written.append(body.count(b"\n") + 1)
            if fault is not None and fault.swallow:
                fault.swallow.wait(30)  # it has been written, but who asked has hung up before the answer comes
            self._answer(answer.status, answer.headers.get("Content-Type"), said)
        except urllib.error.HTTPError as exc:
            self._answer(exc.code, exc.headers.get("Content-Type"), exc.read())
        except (OSError, HTTPException):  # the server is down, or died in the middle of its answer: hang up as it would
            self.close_connection = True

    def _answer(self, status: int, kind: str | None, body: bytes, headers: dict[str, str] | None = None) -> None:
        self.send_response_only(status)
        for name, value in ({"Date": self.date_time_string()} | (headers or {})).items():
            self.send_header(name, value)
        if kind:
            self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_GET = do_POST = _pass_on

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


class InfluxServer:
    """A real server behind a proxy that can go wrong; it can be stopped, killed and started again.

    Attributes:
        url: The proxy's address.
        faults: What goes wrong with the next writes, in turn.
        written: Lines of each write that reached the server.
    """

    def __init__(self, binary: str, folder: Path) -> None:
        """Start both."""
        self._binary, self._folder = binary, folder
        self._http, rpc = free_port(), free_port()
        self._config = folder / "influxdb.conf"
        self._config.write_text(CONFIG.format(folder=folder, http=self._http, rpc=rpc), encoding="utf-8")
        self.faults: list[Fault] = []
        self.written: list[int] = []
        own = {"backend": self._http, "faults": self.faults, "written": self.written}
        self._proxy = ThreadingHTTPServer(("127.0.0.1", 0), type("Proxy", (_Proxy,), own))
        self._proxy.daemon_threads = True
        threading.Thread(target=self._proxy.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self._proxy.server_address[1]}"
        self.start()

    @property
    def pid(self) -> int:
        """Return the server's process number."""
        return self._server.pid

    def start(self) -> None:
        """Start the server on the data that it has."""
        with (self._folder / "log.txt").open("ab") as log:
            self._server = subprocess.Popen([self._binary, "-config", str(self._config)], stdout=log, stderr=log)
        wait_until(lambda: _get(self._http, "/ping") is not None)

    def make(self, database: str) -> None:
        """Make a database."""
        self.ask(f"CREATE DATABASE {database}")

    def ask(self, query: str, database: str = "") -> bytes:
        """Ask the server itself something in InfluxQL."""
        return _get(self._http, "/query?" + urlencode({"q": query, "db": database}), b"")

    def kill(self) -> None:
        """Kill it, as a power cut would."""
        self._server.kill()
        self._server.wait(20)

    def stop(self) -> None:
        """Stop it in good order."""
        self._server.terminate()
        self._server.wait(20)

    def close(self) -> None:
        """End both for good."""
        self._proxy.shutdown()
        self._proxy.server_close()
        self.stop()


@contextmanager
def influx_server(binary: str, folder: Path) -> Iterator[str]:
    """Run a server with its data in a folder, and give the proxy's address."""
    server = InfluxServer(binary, folder)
    try:
        server.make("saltcellar")
        yield server.url
    finally:
        server.close()


def _get(port: int, path: str, body: bytes | None = None) -> bytes:
    """Ask the server itself."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", data=body, timeout=10) as answer:
        return bytes(answer.read())
