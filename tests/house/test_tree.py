"""The tree keeps the rules of the house: what stands at its top, what the lock file and the sources may not hold."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP = {
    ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "alerts", "collectors", "dashboards",
    "monitor", "pyproject.toml", "requirements.lock", "simulated_feeds", "tests",
}  # fmt: skip


def tracked() -> list[Path]:
    """Return the files that git keeps."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    return [ROOT / name for name in listed.decode().split("\0") if name]


def test_only_named_things_stand_at_the_top() -> None:
    """The folders of the design, two documents, and what tooling needs."""
    assert {path.relative_to(ROOT).parts[0] for path in tracked()} <= TOP


def test_the_lock_file_names_no_host_and_hashes_everything() -> None:
    """Packages come from wherever the machine's own settings say, and are what they were when locked."""
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    packages = re.findall(r"^[a-zA-Z0-9._-]+==", text, flags=re.MULTILINE)

    assert "://" not in text
    assert "--index-url" not in text
    assert len(packages) > 20
    assert len(re.findall(r"--hash=sha256:[0-9a-f]{64}", text)) >= len(packages)


def test_every_dependency_is_locked() -> None:
    """pyproject.toml asks for nothing that the lock file lacks."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = {re.split(r"[\[<>=!~; ]", line)[0].lower() for line in asked}
    locked = {
        name.lower()
        for name in re.findall(
            r"^([a-zA-Z0-9._-]+)==", (ROOT / "requirements.lock").read_text(encoding="utf-8"), flags=re.MULTILINE
        )
    }

    assert names <= locked


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        (r"(?<![\w.])/(work|root|tmp|home)/\w", "a path of one machine"),
        (r"https?://[^ )\"']*/(simple|packages)/", "a package registry's host"),
        (r"#\s*(TODO|FIXME|XXX)\b", "an open end without an issue"),
    ],
)
def test_sources_hold_no(pattern: str, why: str) -> None:
    """Neither code nor documents name a machine's paths or a registry, and nothing is left open."""
    found = []
    for path in tracked():
        if path == Path(__file__) or path.suffix in {".csv", ".gz", ".png", ".lock"} or not path.exists():
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8", errors="replace").splitlines(), start=1):
            if re.search(pattern, line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")

    assert not found, f"{why}: {found}"


def test_ci_runs_make_test_and_nothing_else() -> None:
    """One recipe for everybody; only the shared records become compulsory."""
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    commands = [line for line in lines if line and not line.startswith("#")]

    assert commands == ["set -eu", 'cd "$(dirname "$0")/.."', "export TRAYWARDEN_SHARED=required", "exec make test"]


CLOCKS = {"monitor/clock.py", "monitor/cli/demo.py"}


def test_time_is_handed_in() -> None:
    """Only the clock itself, and the demo's real-time end, ask the machine what time it is."""
    asking = [
        str(path.relative_to(ROOT))
        for path in tracked()
        if path.suffix == ".py"
        and path.relative_to(ROOT).parts[0] != "tests"
        and path.exists()
        and re.search(r"datetime\.now\(|time\.time\(|date\.today\(", path.read_text(encoding="utf-8"))
    ]

    assert set(asking) <= CLOCKS
