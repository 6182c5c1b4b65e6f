"""The demo and the service run for real: broker, database, nudges, page, and nothing left running."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import urllib.request
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_feeds.parameters import TrayParameters
from simulated_feeds.tray import Tray
from tests.support.farms import TEXT, sensor_text


@pytest.mark.live
def test_the_demo_runs_three_days_and_leaves_a_page(tmp_path: Path) -> None:
    """Exit status 0, nudges in words, the simulated grower's answers, a self-contained page with a chart a batch."""
    folder = tmp_path / "cellar"
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "demo", "--days", "3", "--folder", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    page = (folder / "saltcellar.html").read_text(encoding="utf-8")

    assert done.returncode == 0, done.stderr
    assert "SIMULATED" in done.stdout
    assert "Clock jumped" not in done.stdout  # its fast time is no fault of this machine's clock
    assert "Round Wed 4 Mar 07:30: 2 things to do" in done.stdout
    assert "Weight off, lift each tray straight up" in done.stdout
    assert "[Wed 4 Mar 07:38] Ines (simulated): batch 1 uncovered" in done.stdout
    assert f"{3 * 24 * 60 * 9} readings kept" in done.stdout  # nine values a minute, each stored once
    assert page.count("<svg") == 6
    assert "Simulated" in page
    assert not re.findall(r"(?:src|href)=\"(?!#)", page)
    assert not re.findall(r"https?://(?!www\.w3\.org)", page)
    assert len((folder / "nudges.jsonl").read_text(encoding="utf-8").splitlines()) >= 1


@pytest.mark.live
def test_the_service_starts_nudges_and_stops_on_sigterm(tmp_path: Path) -> None:
    """`traywarden run` with the embedded broker: status tells it runs, the ledger is copied, SIGTERM ends it."""
    more = sensor_text("air", "temperature", "cellar") + "\n[broker]\nembedded = true\nport = 0\n"
    more += '[storage]\nledger_copies = "copies"\n'
    (tmp_path / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
    command = [sys.executable, "-m", "monitor.cli", "--farm", str(tmp_path / "farm.toml")]
    service = subprocess.Popen([*command, "run"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert service.stdout is not None
    first = service.stdout.readline()

    told: dict[str, object] = {}
    for _ in range(20):
        told = json.loads(subprocess.run([*command, "status", "--json"], capture_output=True, check=False).stdout)
        if told["running"]:
            break
    os.kill(service.pid, signal.SIGTERM)
    rest, errors = service.communicate(timeout=30)

    assert "Traywarden watches Saltcellar Farm, 1 sensors, embedded broker on port" in first
    assert told["running"] is True
    assert service.returncode == 0, errors
    assert "Stopped." in rest
    assert len(list((tmp_path / "copies").glob("ledger-*.db"))) == 1


@given(
    pours=st.lists(st.floats(0, 900), max_size=8),
    hours=st.lists(st.tuples(st.floats(0.1, 30), st.floats(0, 2), st.booleans(), st.booleans()), max_size=12),
)
def test_a_simulated_trays_water_closes_to_the_gram(
    pours: list[float], hours: list[tuple[float, float, bool, bool]]
) -> None:
    """Poured = held + lost + run off, whatever is done to it; never more than it holds, never less than none."""
    tray = Tray(TrayParameters())
    for number, (span, deficit, covered, lit) in enumerate(hours):
        if number < len(pours):
            tray.pour(pours[number])
        tray.step(timedelta(hours=span), deficit_kpa=deficit, is_covered=covered, is_lit=lit, canopy=0.5)

    assert tray.poured_g == pytest.approx(tray.water_g + tray.lost_g + tray.spilled_g, abs=1e-6)
    assert 0 <= tray.water_g <= tray.parameters.holds_g
    assert tray.weight_g == tray.parameters.dry_g + tray.water_g


@pytest.mark.live
def test_on_a_terminal_the_demo_stays_with_its_pages_until_ctrl_c(tmp_path: Path) -> None:
    """It prints the address, serves the simulated farm there, and ends in order."""
    ours, its = pty.openpty()
    command = [sys.executable, "-m", "monitor.cli", "demo", "--days", "1", "--folder", str(tmp_path / "demo")]
    demo = subprocess.Popen(command, stdout=its, stderr=its, stdin=its)
    os.close(its)
    said, address = "", ""
    with os.fdopen(ours, "rb", buffering=0) as terminal:
        while not address and (heard := terminal.read(4096)):
            said += heard.decode()
            found = re.search(r"Going on in real time at (http\S+);", said)
            address = found.group(1) if found else ""
        assert address, said
        with urllib.request.urlopen(address, timeout=20) as answer:
            page = answer.read().decode()
        demo.send_signal(signal.SIGINT)
        with suppress(OSError):  # the terminal's other end closes with the program
            while terminal.read(4096):
                pass

    assert demo.wait(30) == 0
    assert "SIMULATED" in page
    assert "Saltcellar Farm" in page
