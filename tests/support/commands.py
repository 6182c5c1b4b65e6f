"""The command line, called inside the test's own process, as `traywarden --farm PATH WORDS`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click
from click.testing import CliRunner

from monitor.cli import root
from monitor.cli.common import Context
from monitor.errors import TraywardenError

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command printed, and the reason where it refused."""

    out: str
    err: str
    refused: str | None
    status: int


def call(farm_path: Path, *words: str, answers: Sequence[str] = (), now: datetime = NOON) -> Said:
    """Run a command on a farm at an instant, with lines typed at its questions; anything but a refusal is raised."""
    context = Context(farm_path=farm_path, clock=lambda: now)
    typed = "".join(f"{answer}\n" for answer in answers)
    done = CliRunner().invoke(root, [*words], obj=context, input=typed, prog_name="traywarden")
    refused = None
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        if not isinstance(done.exception, TraywardenError | click.ClickException):
            raise done.exception
        refused = str(done.exception)
    return Said(out=done.stdout, err=done.stderr, refused=refused, status=done.exit_code)
