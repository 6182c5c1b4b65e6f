"""A real InfluxDB 1.6 on free ports, behind a small proxy that maps the v2 write path as 1.8 and later do."""

from __future__ import annotations

import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
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


class _Proxy(BaseHTTPRequestHandler):
    """Passes requests on; /api/v2/write becomes /write."""

    backend = 0

    def _pass_on(self) -> None:
        parts = urlsplit(self.path)
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
                self._answer(answer.status, answer.headers.get("Content-Type"), answer.read())
        except urllib.error.HTTPError as exc:
            self._answer(exc.code, exc.headers.get("Content-Type"), exc.read())

    def _answer(self, status: int, kind: str | None, body: bytes) -> None:
        self.send_response(status)
        if kind:
            self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_GET = do_POST = _pass_on

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@contextmanager
def influx_server(binary: str, folder: Path) -> Iterator[str]:
    """Run a server with its data in a folder, and give the proxy's address."""
    http, rpc = free_port(), free_port()
    config = folder / "influxdb.conf"
    config.write_text(CONFIG.format(folder=folder, http=http, rpc=rpc), encoding="utf-8")
    log = (folder / "log.txt").open("wb")
    server = subprocess.Popen([binary, "-config", str(config)], stdout=log, stderr=log)
    handler = type("Proxy", (_Proxy,), {"backend": http})
    proxy = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=proxy.serve_forever, daemon=True).start()
    try:
        wait_until(lambda: _get(http, "/ping") is not None)
        _get(http, "/query?" + urlencode({"q": "CREATE DATABASE saltcellar"}), b"")
        yield f"http://127.0.0.1:{proxy.server_address[1]}"
    finally:
        proxy.shutdown()
        proxy.server_close()
        server.terminate()
        server.wait(20)
        log.close()


def _get(port: int, path: str, body: bytes | None = None) -> bytes:
    """Ask the server itself."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", data=body, timeout=10) as answer:
        return bytes(answer.read())
