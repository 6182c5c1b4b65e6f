"""The wheel is whole: installed outside the checkout it gives a working command with its data inside."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def run(*command: str | Path, cwd: Path, **environment: str) -> str:
    """Run a command with a bare environment and return what it printed; fail with its words."""
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env={"PATH": os.defpath, "HOME": str(cwd), "LANG": "C.UTF-8", **environment},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, f"{command} ended with {done.returncode}:\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel, install it alone into a new virtual environment, and return that environment.

    The packages that it depends on are lent by this environment through a path file; ours is not among them,
    since path files of a lent folder are not followed, and that is how the editable install is found.
    """
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT, cwd=folder)
    (wheel,) = folder.glob("traywarden-*.whl")
    home = folder / "home"
    venv.create(home, with_pip=False, symlinks=True)
    site = next((home / "lib").glob("python3*")) / "site-packages"
    run(sys.executable, "-m", "pip", "--python", home, "install", "-q", "--no-deps", "--no-index", wheel, cwd=folder)
    (site / "lent.pth").write_text(sysconfig.get_paths()["purelib"] + "\n", encoding="utf-8")
    return home


def test_the_command_works_outside_the_checkout(installed: Path, tmp_path: Path) -> None:
    """It comes from the wheel, and knows its own version."""
    where = run(installed / "bin" / "python", "-c", "import monitor; print(monitor.__file__)", cwd=tmp_path)

    assert Path(where.strip()).is_relative_to(installed)
    assert run(installed / "bin" / "traywarden", "--version", cwd=tmp_path).startswith("traywarden 0.")


def test_profiles_are_inside(installed: Path, tmp_path: Path) -> None:
    """At least the thirty crops of the first release are listed."""
    told = json.loads(run(installed / "bin" / "traywarden", "profiles", "--json", cwd=tmp_path))

    assert len(told["profiles"]) >= 30


def test_a_farm_can_be_begun_and_looked_over(installed: Path, tmp_path: Path) -> None:
    """Init writes a farm.toml that check finds nothing wrong with, and the ledger's schema is made from the wheel."""
    command = installed / "bin" / "traywarden"
    run(command, "init", "--defaults", cwd=tmp_path)
    run(command, "check", cwd=tmp_path)
    run(command, "sow", "radish", "--trays", "2", "--spot", "1/1", cwd=tmp_path)

    told = json.loads(run(command, "batches", "--json", cwd=tmp_path))

    assert [batch["crop"] for batch in told["batches"]] == ["radish"]


@pytest.mark.parametrize(
    "inside",
    [
        "dashboards/templates/grow.html.j2",
        "dashboards/templates/labels.css.j2",
        "dashboards/templates/labels.html.j2",
        "dashboards/templates/sheet.css.j2",
        "dashboards/templates/web/ahead.html",
        "dashboards/templates/print.css.j2",
        "dashboards/templates/records.html.j2",
        "dashboards/templates/sheet.html.j2",
        "dashboards/templates/web/rounds.html",
        "dashboards/static/traywarden.css",
        "dashboards/static/traywarden.js",
        "monitor/crops/radish.toml",
        "monitor/stores/migrations/env.py",
        "monitor/systemd/traywarden.service",
        "simulated_feeds/saltcellar/farm.toml",
        "monitor/py.typed",
    ],
)
def test_data_files_are_inside(installed: Path, inside: str) -> None:
    """Templates, profiles, migrations and the demo's farm travel with the package."""
    site = next((installed / "lib").glob("python3*")) / "site-packages"

    assert (site / inside).is_file()


def test_tests_are_not_inside(installed: Path) -> None:
    """The generic name `tests` is never installed."""
    site = next((installed / "lib").glob("python3*")) / "site-packages"

    assert not (site / "tests").exists()
