"""Fixtures that tests of several folders use, and a word on what was left out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

from monitor.stores.ledger import SqlLedger, open_ledger
from tests.support.needs import require_shared

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.support.postgres import Postgres

# Laws are checked, not clocks: on a busy machine an example may take its time.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


@pytest.fixture
def shared_data() -> Path:
    """Return the folder of real sensor records, or leave the test out (see tests/support/needs.py)."""
    return require_shared("vectors").parent


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """Give one PostgreSQL to all tests of a worker; each test makes its own database."""
    from tests.support.postgres import postgres_server

    with postgres_server() as server:
        yield server


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return Debian's Chromium, started once for a module."""
    from tests.support.browser import chromium

    with chromium() as found:
        yield found


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    """Return a new ledger in a file, closed at the end."""
    opened = open_ledger(tmp_path / "data")
    yield opened
    opened.close()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which checks were left out, and why."""
    for report in terminalreporter.stats.get("skipped", []):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        terminalreporter.write_line(f"left out: {report.nodeid}: {reason.removeprefix('Skipped: ')}")
