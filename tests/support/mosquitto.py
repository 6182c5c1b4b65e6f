"""A real mosquitto on a free port, started and stopped by the test."""

from __future__ import annotations

import getpass
import signal
import socket
import subprocess
from pathlib import Path

from collectors.embedded_broker import free_port
from tests.support.influx import wait_until
from tests.support.needs import require_binary


class Mosquitto:
    """A broker that keeps its queue on disk, as README asks of a farm's."""

    def __init__(self, folder: Path, *, more: str = "") -> None:
        """Write its settings into a folder."""
        self.port = free_port()
        self.folder = folder
        self._config = folder / "mosquitto.conf"
        user = f"user {getpass.getuser()}\n"  # started by root it would else give up the right to its own folder
        access = "" if "password_file" in more else "allow_anonymous true\n"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\n{access}persistence true\npersistence_location {folder}/\n"
            f"max_queued_messages 0\nset_tcp_nodelay true\n{user}{more}\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Return its process' number."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> Mosquitto:
        """Start it, and wait until it listens."""
        log = (self.folder / "log.txt").open("ab")
        binary = require_binary("mosquitto")
        self._process = subprocess.Popen([binary, "-c", str(self._config)], stdout=log, stderr=log)
        log.close()
        wait_until(self._listens)
        return self

    def _listens(self) -> bool:
        with socket.create_connection(("127.0.0.1", self.port), timeout=1):
            return True

    def stop(self) -> None:
        """Stop it by SIGTERM, so that it writes its queue to disk."""
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(20)
            self._process = None

    def publish(self, topic: str, lines: list[str], *options: str) -> None:
        """Publish lines, one message each, at QoS 1, by a client that is not ours."""
        binary = require_binary("mosquitto_pub")
        done = subprocess.run(
            [binary, "-h", "127.0.0.1", "-p", str(self.port), "-t", topic, "-q", "1", "-l", *options],
            input="\n".join(lines) + "\n",
            text=True,
            capture_output=True,
            check=False,
            timeout=60,
        )
        assert done.returncode == 0, done.stderr
