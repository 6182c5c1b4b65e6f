"""A real PostgreSQL on a free port, started and stopped by the test."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

from collectors.embedded_broker import free_port
from tests.support.influx import wait_until
from tests.support.needs import require_binary

_USER = "traywarden"
_SETTINGS = ("fsync=off", "listen_addresses=127.0.0.1", "unix_socket_directories=", "shared_buffers=32MB")


def _binaries() -> Path:
    """Return the folder of the server's programs; Debian keeps them out of every PATH."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else Path(require_binary("initdb")).parent


def _as_server_user() -> dict[str, str]:
    """Return how to start a process: the server refuses to run as root."""
    return {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}


class Postgres:
    """A server whose data is thrown away at the end."""

    def __init__(self) -> None:
        """Make its folder and its first files."""
        self.port = free_port()
        self.folder = Path(tempfile.mkdtemp(prefix="ledger-server-"))
        self._made = 0
        self._process: subprocess.Popen[bytes] | None = None
        if os.geteuid() == 0:
            shutil.chown(self.folder, "postgres", "postgres")
        made = [_binaries() / "initdb", "-D", self.folder / "data", "-U", _USER, "--auth=trust", "-N", "-E", "UTF8"]
        subprocess.run(made, check=True, capture_output=True, cwd=self.folder, timeout=60, **_as_server_user())  # type: ignore[call-overload] # user, group

    @property
    def pid(self) -> int:
        """Return its process' number."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> Postgres:
        """Start it, and wait until it answers."""
        settings = [part for each in (*_SETTINGS, f"port={self.port}") for part in ("-c", each)]
        self._process = subprocess.Popen(
            [_binaries() / "postgres", "-D", self.folder / "data", *settings],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=self.folder,
            **_as_server_user(),  # type: ignore[call-overload] # user, group
        )
        wait_until(self._answers)
        return self

    def _answers(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1):
                pass
            psycopg.connect(self.address("postgres"), connect_timeout=2).close()
        except psycopg.Error:
            return False
        return True

    def address(self, database: str) -> str:
        """Return a database's address."""
        return f"postgresql://{_USER}@127.0.0.1:{self.port}/{database}"

    def new_database(self) -> str:
        """Make an empty database, and return its address."""
        self._made += 1
        name = f"saltcellar_{self._made}"
        with psycopg.connect(self.address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.address(name)

    def stop(self) -> None:
        """Stop it at once; a second call does nothing."""
        if self._process is not None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(20)
            self._process = None

    def kill(self) -> None:
        """Have it die in the middle of what it does."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(20)
            self._process = None


@contextmanager
def postgres_server() -> Iterator[Postgres]:
    """Run a server."""
    server = Postgres()
    try:
        yield server.start()
    finally:
        server.stop()
        shutil.rmtree(server.folder, ignore_errors=True)
