"""A systemd unit for each of several processes: named apart, and refused where the command itself would refuse."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.commands import call
from tests.support.farms import TEXT

SHARED = """
[storage]
folder = "data"

[storage.influx]
url = "http://127.0.0.1:8086"
database = "saltcellar"
token_file = "influx.token"

[storage.postgresql]
address = "postgresql://traywarden@127.0.0.1:5432/traywarden"

[[modbus]]
id = "bus"
serial = "/dev/ttyUSB0"

[[modbus]]
id = "net"
host = "127.0.0.1"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the file of a farm whose work can be shared."""
    farm = tmp_path / "farm.toml"
    farm.write_text(TEXT.format(zone="Europe/Lisbon", more=SHARED), "utf-8")
    return farm


@pytest.mark.parametrize(
    ("words", "service", "does"),
    [
        pytest.param((), "traywarden", "watches Saltcellar Farm", id="all of it"),
        pytest.param(
            ("collect", "--name", "north"), "traywarden-collect-north", "collects readings of Saltcellar Farm (north)",
            id="a collector",
        ),
        pytest.param(("collect",), "traywarden-collect", "collects readings of Saltcellar Farm", id="without a name"),
        pytest.param(
            ("watch", "--room", "cellar", "--name", "north"), "traywarden-watch-north",
            "watches rooms of Saltcellar Farm (north)", id="a watcher of the same name",
        ),
        pytest.param(("serve",), "traywarden-serve", "serves the pages of Saltcellar Farm", id="the pages"),
    ],
)  # fmt: skip
def test_each_process_has_a_unit_of_its_own_name(path: Path, words: tuple[str, ...], service: str, does: str) -> None:
    """It runs just what was asked for, after the servers that it needs, and comes back when it ends badly."""
    said = call(path, "unit-file", *words).out

    runs = " ".join(words or ("run",))
    assert f"# /etc/systemd/system/{service}.service, then: systemctl daemon-reload && systemctl enable --now" in said
    assert f"Description=Traywarden {does}\n" in said
    assert f" --farm {path.resolve()} {runs}\n" in said
    assert ("postgresql.service" in said) == bool(words)
    assert "Restart=on-failure\n" in said
    assert "{" not in said


@pytest.mark.parametrize(
    ("words", "refused"),
    [
        (("dance",), r"no unit can run 'dance'; one can run: run, collect, watch, serve"),
        (("watch", "--room", "loft"), r"no room 'loft' in farm.toml; there are: cellar, cold"),
        (("collect", "--line", "x"), r"no [[modbus]] line 'x'; there are: bus, net"),
        (("collect", "--name", "a%b"), r"'a%b' cannot be a name"),
        (("collect", "--retire"), r"--retire is done once, by hand"),
        (("serve", "--nmae", "x"), None),
    ],
)
def test_what_could_not_run_gets_no_unit(path: Path, words: tuple[str, ...], refused: str | None) -> None:
    """A slip is told now, not by a service that starts again for ever; nothing is printed that could be kept."""
    said = call(path, "unit-file", *words)

    assert said.status != 0
    assert "[Unit]" not in said.out
    if refused is None:
        assert "No such option" in said.err
    else:
        assert said.refused is not None
        assert refused in said.refused


def test_a_farm_that_shares_nothing_gets_no_unit_of_a_collector(path: Path) -> None:
    """It is told what is missing."""
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), "utf-8")

    said = call(path, "unit-file", "collect", "--name", "north")

    assert said.refused is not None
    assert "farm.toml lacks [storage.influx] and [storage.postgresql]" in said.refused


def test_only_who_reads_a_serial_line_may_open_its_device(path: Path) -> None:
    """All others see no devices; `run` reads every line of the farm."""
    by_line = {
        line: call(path, "unit-file", "collect", "--name", "a", "--line", line).out for line in ("bus", "net")
    } | {"all": call(path, "unit-file").out, "none": call(path, "unit-file", "collect", "--name", "a").out}

    assert {line: "DeviceAllow=/dev/ttyUSB0 rw\n" in said for line, said in by_line.items()} == {
        "bus": True, "net": False, "all": True, "none": False,
    }  # fmt: skip
    assert {line: "PrivateDevices=true\n" in said for line, said in by_line.items()} == {
        "bus": False, "net": True, "all": False, "none": True,
    }  # fmt: skip


def test_systemd_takes_the_unit_of_a_collector(path: Path) -> None:
    """Systemd's own verifier finds nothing to say."""
    verifier = shutil.which("systemd-analyze")
    if verifier is None:
        pytest.skip("systemd is not installed on this machine, so its verifier cannot be asked")
    unit = path.with_name("traywarden-collect-north.service")
    unit.write_text(call(path, "unit-file", "collect", "--name", "north", "--line", "bus").out, encoding="utf-8")

    done = subprocess.run(
        [verifier, "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False, timeout=60
    )

    assert (done.returncode, done.stderr) == (0, "")
