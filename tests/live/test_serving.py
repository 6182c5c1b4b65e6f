"""`traywarden run` and `serve` with the pages: who may be served, open streams at the end, HTTPS, a taken port."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path

import pytest

from collectors.embedded_broker import free_port
from monitor.cli.common import FARM_VARIABLE
from tests.support.farms import TEXT, sensor_text
from tests.support.mosquitto import Mosquitto
from tests.support.needs import require_binary

pytestmark = pytest.mark.live


def write_farm(folder: Path, pages: str, more: str = "") -> list[str]:
    """Write a farm.toml, and return the start of a command on it."""
    text = TEXT.format(zone="Europe/Lisbon", more=f"{more}\n[pages]\n{pages}\n")
    (folder / "farm.toml").write_text(text, encoding="utf-8")
    return [sys.executable, "-m", "monitor.cli", "--farm", str(folder / "farm.toml")]


@contextmanager
def started(command: list[str], *words: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Start a command, wait until it says where the pages are, and end it afterwards."""
    environment = {key: value for key, value in os.environ.items() if key != FARM_VARIABLE}
    process = subprocess.Popen(
        [*command, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    )
    assert process.stdout is not None
    said = ""
    try:
        for line in process.stdout:
            said += line
            found = re.search(r"https?://\S+\d", line)
            if found:
                yield process, found.group()
                return
        pytest.fail(f"it never said where the pages are: {said} {process.communicate()[1]}")
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=30)


@contextmanager
def stream_of(address: str) -> Iterator[HTTPResponse]:
    """Give an open event stream after its first line."""
    host, _, port = address.removeprefix("http://").partition(":")
    line = HTTPConnection(host, int(port), timeout=20)
    try:
        line.request("GET", "/events")
        with line.getresponse() as answer:
            assert answer.status == 200
            assert answer.readline() == b"retry: 2000\n"
            yield answer
    finally:
        line.close()


def seconds_to_stop(command: list[str], verb: str) -> float:
    """Return how long it takes to end after SIGTERM while five phones look on."""
    with ExitStack() as held:
        process, address = held.enter_context(started(command, verb))
        for _ in range(5):
            held.enter_context(stream_of(address))
        began = time.perf_counter()
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=30)
        took = time.perf_counter() - began
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
    return took


@pytest.mark.parametrize("verb", ["run", "serve"])
def test_sigterm_with_open_streams_ends_within_two_seconds(tmp_path: Path, verb: str) -> None:
    """All is closed in order, with status 0; on a busy machine the best of three counts (a stuck stream never does)."""
    command = write_farm(tmp_path, "port = 0")

    assert any(seconds_to_stop(command, verb) < 2 for _ in range(3))


def seconds_to_hear(broker: Mosquitto, lines: HTTPResponse, value: float) -> float:
    """Return how long a published value takes to ring at an open stream."""
    began = time.perf_counter()
    broker.publish("t/air", [json.dumps({"value": value})])
    for line in iter(lines.readline, b""):
        if line.startswith(b"data:") and b"readings" in line:
            return time.perf_counter() - began
    pytest.fail("the stream ended")


def test_a_reading_reaches_an_open_stream_within_two_seconds(tmp_path: Path) -> None:
    """Published over a real broker, stored, and rung, with nothing asked for in between."""
    broker = Mosquitto(tmp_path).start()
    more = sensor_text("air", "temperature", "cellar", pointer="/value")
    more += f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
    try:
        command = write_farm(tmp_path, "port = 0", more)
        with started(command, "run") as (_, address), stream_of(address) as lines:
            took = [seconds_to_hear(broker, lines, value) for value in (18.5, 18.6, 18.7)]
    finally:
        broker.stop()

    assert min(took) < 2


@pytest.mark.parametrize("verb", ["run", "serve"])
@pytest.mark.parametrize("pages", ['address = "0.0.0.0"\nport = 0', "behind_proxy = true\nport = 0"])
def test_beyond_this_machine_it_refuses_to_start_without_a_password(tmp_path: Path, verb: str, pages: str) -> None:
    """It says how to set one; with one it starts."""
    command = write_farm(tmp_path, pages)

    refused = subprocess.run([*command, verb], capture_output=True, text=True, check=False, timeout=60)
    subprocess.run([*command, "password", "ines", "--stdin"], input="salt and light\n", text=True, check=True)

    assert refused.returncode == 1
    assert "traywarden password ines" in refused.stderr
    with started(command, verb) as (_, address), urllib.request.urlopen(f"{address}/sign-in", timeout=10) as answer:
        assert answer.status == 200


def test_a_taken_port_does_not_keep_the_monitor_from_watching(tmp_path: Path) -> None:
    """`run` watches on and says so; `serve`, which has nothing else to do, refuses."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        command = write_farm(tmp_path, f"port = {taken.getsockname()[1]}")
        serve = subprocess.run([*command, "serve"], capture_output=True, text=True, check=False, timeout=60)
        run = subprocess.Popen([*command, "run"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert run.stdout is not None
        first = run.stdout.readline()
        run.send_signal(signal.SIGTERM)
        _, errors = run.communicate(timeout=30)

    assert serve.returncode == 1
    assert "name another port" in serve.stderr
    assert first.startswith("Traywarden watches")
    assert run.returncode == 0
    assert "pages.left_out" in errors


def test_https_by_certificate_files(tmp_path: Path) -> None:
    """A certificate of one's own; the session's cookie is for HTTPS alone."""
    openssl = require_binary("openssl")
    subprocess.run(
        [
            openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-days", "2", "-keyout", "key.pem", "-out", "cert.pem", "-subj", "/CN=localhost",
            "-addext", "subjectAltName=IP:127.0.0.1",
        ],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    command = write_farm(tmp_path, 'cert_file = "cert.pem"\nkey_file = "key.pem"\nport = 0')
    trusting = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))

    with (
        started(command, "serve") as (_, address),
        urllib.request.urlopen(f"{address}/", timeout=10, context=trusting) as answer,
    ):
        assert address.startswith("https://")
        assert "Secure" in answer.headers["set-cookie"]


def test_a_certificate_that_is_none_is_said(tmp_path: Path) -> None:
    """The file is named."""
    (tmp_path / "cert.pem").write_text("no certificate", encoding="utf-8")
    (tmp_path / "key.pem").write_text("no key", encoding="utf-8")
    command = write_farm(tmp_path, f'cert_file = "cert.pem"\nkey_file = "key.pem"\nport = {free_port()}')

    done = subprocess.run([*command, "run"], capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode == 1
    assert "cert.pem" in done.stderr
    assert "Traceback" not in done.stderr


def test_serve_shows_what_another_process_writes_and_stores(tmp_path: Path) -> None:
    """An entry on the command line rings at an open page of `serve`."""
    command = write_farm(tmp_path, "port = 0")
    with started(command, "serve") as (_, address), stream_of(address) as lines:
        subprocess.run([*command, "sow", "radish", "--trays", "2", "--spot", "1/1"], check=True, capture_output=True)

        assert any(b"ledger" in line for line in iter(lines.readline, b""))
