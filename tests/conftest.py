"""What many tests share: whether a server may be missing, where the shared records are, a farm, a ledger."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.stores.ledger import SqlLedger, open_ledger

SHARED = Path(__file__).parents[2] / "shared" / "data"


def require_binary(name: str) -> str:
    """Return a server's path; without it the test is left out, or fails where `make test` promised it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/bin")
    if found is None:
        words = f"{name} is not installed; `make test` installs it"
        if os.environ.get("TRAYWARDEN_LIVE") == "required":
            pytest.fail(words)
        pytest.skip(words)  # a developer's quick run may lack the server
    return found


@pytest.fixture
def shared_data() -> Path:
    """Return the folder of real sensor records, which only the developers' machines have."""
    if not SHARED.is_dir():
        words = "the shared sensor records are not on this machine"
        if os.environ.get("TRAYWARDEN_SHARED") == "required":
            pytest.fail(words)
        pytest.skip(words)  # a user's clone has none
    return SHARED


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    """Return a new ledger in a file, closed at the end."""
    opened = open_ledger(tmp_path / "data")
    yield opened
    opened.close()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which checks were left out, and why."""
    skipped = terminalreporter.stats.get("skipped", [])
    for report in skipped:
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        terminalreporter.write_line(f"left out: {report.nodeid}: {reason.removeprefix('Skipped: ')}")
