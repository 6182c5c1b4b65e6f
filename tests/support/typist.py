"""A person who types commands at a farm, on a clock that stands."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from monitor.cli import root
from monitor.cli.common import Context
from monitor.errors import TraywardenError


class Typist:
    """A farm's file, a clock, and commands typed there.

    Attributes:
        path: The farm's file.
        now: Where the clock stands.
    """

    path: Path
    now: datetime

    def run(self, *words: str, answer: str | None = None) -> Result:
        """Run one command."""
        context = Context(farm_path=self.path, clock=lambda: self.now)
        return CliRunner().invoke(root, list(words), obj=context, input=answer)

    def says(self, *words: str, answer: str | None = None) -> str:
        """Run a command that must succeed, and return what it said."""
        done = self.run(*words, answer=answer)
        assert done.exit_code == 0, f"{words}: {done.output} {done.exception!r}"
        return done.output

    def refuses(self, *words: str) -> str:
        """Run a command that must be refused, and return why."""
        done = self.run(*words)
        assert isinstance(done.exception, TraywardenError), f"{words}: {done.output} {done.exception!r}"
        return str(done.exception)

    def json(self, *words: str) -> Any:
        """Run a command with --json, and return its facts."""
        return json.loads(self.run(*words, "--json").stdout)
