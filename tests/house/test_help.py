"""The command line tells of itself: quickly, with an example, and with the exit status that it promises."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest

from monitor.cli import root
from monitor.cli.commands import COMMANDS, SECTIONS

HEAVY = (
    "pandas",
    "numpy",
    "altair",
    "sqlalchemy",
    "paho",
    "influxdb_client",
    "alembic",
    "apprise",
    "iotcore",
    "scipy",
    "pyarrow",
)


def call(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *words], capture_output=True, text=True, check=False, cwd=cwd, timeout=120
    )


def test_help_imports_nothing_heavy() -> None:
    """`traywarden --help` answers without pandas and its like."""
    code = (
        "import sys\nsys.argv = ['traywarden', '--help']\nfrom monitor.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)

    assert done.stdout.splitlines()[-1] == "[]"
    assert "rounds" in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    """The help of each command ends with a line that can be typed."""
    command = root.get_command(click.Context(root), name)

    assert command is not None
    assert command.help
    assert command.epilog is not None
    assert command.epilog.startswith("Example")
    assert f"traywarden {name}" in command.epilog
    assert COMMANDS[name].section in SECTIONS


def test_a_wrong_word_is_wrong_use_and_names_what_is_near() -> None:
    """Exit status 2, and a near command is offered."""
    done = call("rownds")

    assert done.returncode == 2
    assert "did you mean rounds" in done.stderr


def test_a_missing_farm_is_refused_with_the_way_out(tmp_path: Path) -> None:
    """Exit status 1, the place that was looked at, and the command that makes one."""
    done = call("batches", cwd=tmp_path)

    assert done.returncode == 1
    assert "farm.toml" in done.stderr
    assert "traywarden init" in done.stderr


def test_done_is_status_nought(tmp_path: Path) -> None:
    """A command that did its work ends with 0."""
    assert call("--version", cwd=tmp_path).returncode == 0
