"""Modbus and a watched folder in the running service, and the commands about them."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from monitor.clock import system_clock
from monitor.farmfile import load_farm
from monitor.profilefile import shipped_profiles
from monitor.service import Service
from tests.live.test_modbus import MAP, READ, SENSORS, transmitters
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text
from tests.support.modbus import TcpServer, tcp_server

pytestmark = pytest.mark.live
FOLDER = """
[[folder]]
id = "loggers"
path = "in"
time = "date"
columns = ["Temp=cold"]
settle_s = 1
"""


def written(folder: Path, server: TcpServer) -> Path:
    """Write the farm of a server's line and a watched folder, and return its file."""
    sensors = SENSORS + sensor_text("cold", "temperature", "cold").replace('topic = "t/cold"\n', "")
    more = MAP.format(sensors=sensors, line=f'host = "127.0.0.1"\nport = {server.port}\nevery = "1s"') + FOLDER
    path = folder / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
    (folder / "in").mkdir()
    return path


def test_the_service_reads_both_and_needs_no_broker(tmp_path: Path) -> None:
    """What they bring is in the store and in the sensors' present; the status names them."""
    with tcp_server(*transmitters()) as server:  # type: ignore[arg-type] # SimDevice
        farm = load_farm(written(tmp_path, server))
        (tmp_path / "in" / "cold.csv").write_text("date,Temp\n2026-03-02T09:00:00Z,3.5\n", encoding="utf-8")
        service = Service(farm, shipped_profiles(), clock=system_clock)
        heard, changed = set[str](), threading.Event()
        take = service.intake._after_commit

        def note(block: object) -> None:
            take(block)  # type: ignore[arg-type] # a Block
            heard.update(service.store.sensors())
            if heard == {*READ, "cold"}:
                changed.set()

        service.intake._after_commit = note
        service.start_listening()
        assert changed.wait(20), heard
        status = service.status(system_clock())
        live = service.live.latest("air")
        collector, broker = service.collector, service.broker
        service.stop()

    assert (collector, broker) == (None, None)
    assert status["feeds"] == [{"name": "bus", "trouble": None}, {"name": "folders", "trouble": None}]
    assert live is not None
    assert live.value == READ["air"]


def test_registers_shows_what_each_would_become(tmp_path: Path) -> None:
    """With the words as they came, and the value in the other word order."""
    with tcp_server(*transmitters()) as server:  # type: ignore[arg-type] # SimDevice
        path = written(tmp_path, server)
        said = call(path, "registers")
        told = json.loads(call(path, "registers", "--json").out)

    assert said.status == 0
    assert "light: unit 2, holding register 10, float32: words 0000 4148, which is 12500 lx; the other" in said.out
    assert {row["sensor"]: row["value"] for row in told["registers"]} == READ
    assert {row["why"] for row in told["registers"]} == {None}


def test_registers_names_what_does_not_answer(tmp_path: Path) -> None:
    """Two transmitters of three: the values of the third have a reason, and the exit status says so."""
    with tcp_server(*transmitters()[:2]) as server:  # type: ignore[arg-type] # SimDevice
        said = call(written(tmp_path, server), "registers")

    assert said.refused == "not read: scale; see the lines above"
    assert "air: unit 1, input register 0, int16: words 00d7, which is 21.5 degC" in said.out
    assert "scale: unit 3" in said.out


def test_a_farm_without_registers_is_told_where_they_are_explained(tmp_path: Path) -> None:
    """Nothing to read is a refusal with the way out."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")

    assert "traywarden keys" in str(call(path, "registers").refused)
