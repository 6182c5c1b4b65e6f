"""The sign that all is well reaches a real web server; a monitor in trouble sends none."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from alerts.ping import ping, ping_address
from monitor.errors import ChannelError, ConfigError
from monitor.farm import PingSettings
from monitor.profilefile import load_profiles
from monitor.service import Service
from tests.support.farms import farm

pytestmark = pytest.mark.live


@pytest.fixture
def watcher() -> Iterator[tuple[list[str], int]]:
    """Run a web server that notes what is asked of it; /refuse answers 500."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(500 if self.path == "/refuse" else 200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield asked, server.server_port
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_service_that_is_well_says_so_and_one_in_trouble_does_not(
    tmp_path: Path, watcher: tuple[list[str], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once asked while all is well; not while the disk is full."""
    asked, port = watcher
    (tmp_path / "address").write_text(f"http://127.0.0.1:{port}/well\n", encoding="utf-8")
    service = Service(farm(tmp_path, more='[ping]\nurl_file = "address"\nevery_minutes = 10\n'), load_profiles(None))
    service.tell_well()
    after_well = list(asked)
    monkeypatch.setattr(service._self_watch, "_disk", lambda _: (100_000_000_000, 0, 1_000_000))
    service.tell_well()
    service.stop()

    assert after_well == ["/well"]
    assert asked == ["/well"]


def test_what_goes_wrong_is_said_without_the_address(watcher: tuple[list[str], int], tmp_path: Path) -> None:
    """A refusal, nobody there, no address: the secret in it is not said."""
    _, port = watcher
    (tmp_path / "address").write_text("ftp://secret.example/x", encoding="utf-8")

    with pytest.raises(ChannelError, match="did not take it"):
        ping(f"http://127.0.0.1:{port}/refuse")
    with pytest.raises(ChannelError, match="no http or https address") as caught:
        ping_address(PingSettings(url_file=tmp_path / "address"))
    assert "secret" not in str(caught.value)
    with pytest.raises(ChannelError, match="cannot be read"):
        ping_address(PingSettings(url_file=tmp_path / "nowhere"))


def test_a_ping_without_a_way_is_a_fault(tmp_path: Path) -> None:
    """[ping] needs an address or a topic."""
    with pytest.raises(ConfigError, match="where the sign goes"):
        farm(tmp_path, more="[ping]\nevery_minutes = 10\n")
