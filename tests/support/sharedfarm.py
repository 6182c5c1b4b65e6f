"""A farm of several rooms whose work is shared: real broker, InfluxDB and PostgreSQL, and processes to be killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.influx import InfluxServer
from tests.support.mosquitto import Mosquitto
from tests.support.needs import ROOT, require_binary
from tests.support.postgres import Postgres, postgres_server

HEAD = """
[farm]
name = "Saltcellar Farm"
time_zone = "Europe/Lisbon"
rounds = [{rounds}]

[broker]
embedded = false
host = "127.0.0.1"
port = {port}

[storage]
folder = "{folder}"

{shares}
[[person]]
id = "ines"
channels = ["counted"]

[[channel]]
id = "counted"
kind = "mqtt"
topic = "told"
"""
SHARES = """
[storage.influx]
url = "{url}"
database = "saltcellar"
token_env = "SALTCELLAR_TOKEN"

[storage.postgresql]
address = "{address}"
"""
ROOM = """
[[room]]
id = "{room}"
lamp = "06:00-22:00"

[[rack]]
id = "1"
room = "{room}"
shelves = {shelves}
trays_per_shelf = {trays}
"""

_SECRET = {"SALTCELLAR_TOKEN": "not-to-be-seen"}


@dataclass(kw_only=True)
class SharedFarm:
    """The servers, and what was started on them.

    Attributes:
        folder: Where files of the farm, one a machine, lie.
        broker: The broker.
        influx: The InfluxDB behind its proxy.
        postgres: The PostgreSQL.
        address: Of the ledger.
        running: Processes by name.
    """

    folder: Path
    broker: Mosquitto
    influx: InfluxServer
    postgres: Postgres
    address: str
    running: dict[str, subprocess.Popen[str]] = field(default_factory=dict)
    _reading: dict[str, threading.Thread] = field(default_factory=dict)

    def write(
        self, machine: str, tables: str, *, rounds: Sequence[str] = ("07:30", "17:00"), shares: bool = True
    ) -> Path:
        """Write the farm's file as one machine has it, with a storage folder of its own; shares: the databases too."""
        own = self.folder / machine
        own.mkdir(exist_ok=True)
        path = own / "farm.toml"
        head = HEAD.format(
            rounds=", ".join(f'"{each}"' for each in rounds),
            port=self.broker.port,
            folder=own / "data",
            shares=SHARES.format(url=self.influx.url, address=self.address) if shares else "",
        )
        path.write_text(head + tables, encoding="utf-8")
        return path

    def start(
        self, name: str, farm: Path, *command: str, runs: Sequence[str] = ("-m", "monitor.cli"), says: str = "Ctrl-C"
    ) -> None:
        """Start a command as a process of its own, and wait until it has said that it runs."""
        log = (self.folder / f"{name}.log").open("a", encoding="utf-8")
        where = ["--farm", str(farm)] if runs == ("-m", "monitor.cli") else []
        process = subprocess.Popen(
            [sys.executable, *runs, *where, *command],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            cwd=ROOT,
            env={**os.environ, **_SECRET, "PYTHONUNBUFFERED": "1"},
        )
        log.close()
        self.running[name] = process
        assert process.stdout is not None
        for line in process.stdout:
            if says in line:
                self._reading[name] = threading.Thread(target=_drain, args=(process,), daemon=True)
                self._reading[name].start()
                return
        raise AssertionError(
            f"{name} ended with {process.wait(20)}: {(self.folder / f'{name}.log').read_text()[-3000:]}"
        )

    def run(self, farm: Path, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        return subprocess.run(
            [sys.executable, "-m", "monitor.cli", "--farm", str(farm), *command],
            capture_output=True,
            text=True,
            check=False,
            cwd=ROOT,
            env={**os.environ, **_SECRET},
            timeout=120,
        )

    def kill(self, name: str) -> None:
        """Kill a process as a power cut would."""
        process = self.running.pop(name)
        process.kill()
        self._ended(name, process, 20)

    def stop(self, name: str) -> int:
        """Stop a process in good order, and return its exit status."""
        process = self.running.pop(name)
        process.send_signal(signal.SIGTERM)
        return self._ended(name, process, 60)

    def end(self) -> None:
        """Kill all that still runs."""
        for name in list(self.running):
            self.kill(name)

    def _ended(self, name: str, process: subprocess.Popen[str], seconds: float) -> int:
        """Wait for a process' end, let go of what was read of it, and return its exit status."""
        status = process.wait(seconds)
        self._reading.pop(name).join(seconds)
        if process.stdout is not None:
            process.stdout.close()
        return status


def farm_head(*, folder: Path, port: int, url: str, address: str, rounds: Sequence[str] = ("07:30",)) -> str:
    """Return the beginning of a shared farm's file."""
    return HEAD.format(
        rounds=", ".join(f'"{each}"' for each in rounds),
        port=port,
        folder=folder,
        shares=SHARES.format(url=url, address=address),
    )


def _drain(process: subprocess.Popen[str]) -> None:
    """Read on what a process says, so that it never waits for a reader."""
    assert process.stdout is not None
    for _ in process.stdout:
        pass


@contextmanager
def shared_farm() -> Iterator[SharedFarm]:
    """Run the servers; what was started on them is killed at the end."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="shared-farm-")))
        made = [folder / name for name in ("broker", "influx")]
        for each in made:
            each.mkdir()
        broker = Mosquitto(made[0], more="max_inflight_messages 1000\n").start()
        stack.callback(broker.stop)
        influx = InfluxServer(require_binary("influxd"), made[1])
        stack.callback(influx.close)
        influx.make("saltcellar")
        postgres = stack.enter_context(postgres_server())
        farm = SharedFarm(
            folder=folder, broker=broker, influx=influx, postgres=postgres, address=postgres.new_database()
        )
        stack.callback(farm.end)
        yield farm


def wait_for(condition: Callable[[], bool], what: str, *, seconds: float = 60.0) -> None:
    """Wait until something is true, looked at every tenth of a second."""
    pause = threading.Event()
    for _ in range(int(seconds * 10)):
        if condition():
            return
        pause.wait(0.1)
    raise AssertionError(f"not within {seconds:g} s: {what}")
