"""Every source that code, profiles and checks cite stands in the list of sources."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
KEY = re.compile(r"\[([A-Z][A-Z0-9]+(?:[-.][A-Z0-9.]+)*)\]")
OTHER = {"CUTTING", "SYSTEMD"}  # lists in code and comments in brackets, no sources


def listed() -> set[str]:
    """Return the keys of the list."""
    text = (ROOT / "tests" / "published" / "SOURCES.md").read_text(encoding="utf-8")
    return {line.split("|")[1].strip() for line in text.splitlines() if line.startswith("| ")} - {"key"}


def test_every_cited_source_is_listed() -> None:
    """Keys in square brackets, in code, crop profiles and tests."""
    cited: dict[str, str] = {}
    for folder in ("monitor", "collectors", "alerts", "dashboards", "simulated_feeds", "tests"):
        for path in [*(ROOT / folder).rglob("*.py"), *(ROOT / folder).rglob("*.toml")]:
            for key in KEY.findall(path.read_text(encoding="utf-8")):
                if len(key) >= 5:
                    cited.setdefault(key, str(path.relative_to(ROOT)))

    assert {key: where for key, where in cited.items() if key not in listed() | OTHER} == {}
