"""README and DEVELOPERS.md are true: every command, term, rule and caution stands there."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
from pathlib import Path

import pytest

from alerts.rules import ALL
from monitor.cli.commands import COMMANDS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NOUNS = [
    "monitor.fixedpoint", "monitor.rolling", "monitor.series", "monitor.sharing", "monitor.housekeeping",
    "monitor.inspection", "monitor.unread",
    "monitor.readings", "monitor.places", "monitor.people", "monitor.farm", "monitor.profiles", "monitor.ledger",
    "monitor.batches", "monitor.phases", "monitor.live", "alerts.findings", "alerts.tasks", "alerts.outbox",
    "alerts.alarms", "alerts.answers", "alerts.news", "alerts.doubts",
    "alerts.pours", "alerts.proposals", "alerts.watering", "alerts.trayfacts",
    "monitor.loadcell", "monitor.weightevents", "monitor.growth", "monitor.drying", "monitor.trayfacts",
    "monitor.waterahead", "monitor.scalesetup", "monitor.flagging", "monitor.light", "monitor.calibration",
    "monitor.celldrift", "alerts.excursion", "alerts.flood", "alerts.reachable",
    "monitor.health", "monitor.processes", "monitor.stores.leases", "alerts.ward", "monitor.doors", "monitor.feeds",
    "monitor.holds", "monitor.lots", "monitor.germination", "monitor.covers",
    "dashboards.records", "dashboards.sheet", "dashboards.sheetlines",
    "dashboards.pages.walk", "dashboards.pages.taps", "dashboards.pages.justnow", "dashboards.pages.rounds",
    "dashboards.pages.people", "dashboards.pages.onetap", "dashboards.pages.sorry",
    "dashboards.web.house", "dashboards.web.lookout", "dashboards.web.show", "dashboards.web.taps",
    "dashboards.web.links",
    "monitor.desk", "monitor.sowing", "alerts.agenda", "alerts.promising", "dashboards.facts.rounds",
    "dashboards.facts.dry", "dashboards.facts.measured", "dashboards.feed", "dashboards.zonerules", "dashboards.labels",
    "dashboards.openapi", "dashboards.metrics", "dashboards.pages.calendar", "dashboards.pages.labels",
    "dashboards.pages.sow", "dashboards.pages.alarms", "dashboards.pages.ahead", "dashboards.pages.promises",
    "dashboards.daypicture", "dashboards.smallline", "dashboards.colours", "dashboards.drawing", "dashboards.stretches",
    "dashboards.pages.boards", "dashboards.pages.batchlog",
    "dashboards.pages.figures", "dashboards.pages.batch", "dashboards.pages.deeds",
    "dashboards.pages.wishes", "dashboards.pages.sensors",
    "monitor.traydeeds", "monitor.sensordeeds", "monitor.correcting",
    "monitor.promises", "monitor.supplies", "monitor.ahead", "monitor.sowby",
    "monitor.sowplan", "monitor.sowneeds", "monitor.shelfplan",
    "monitor.outcomes", "monitor.banded", "monitor.review", "monitor.doses", "monitor.suspects", "monitor.factors",
    "monitor.comparison", "monitor.season", "monitor.trace", "monitor.suggest", "monitor.heat", "monitor.judging",
    "dashboards.pages.lookback",
    "dashboards.seasonpage", "dashboards.lookback", "dashboards.lookbackwords",
]  # fmt: skip


@pytest.mark.parametrize("module", NOUNS)
def test_every_public_field_has_its_term(module: str) -> None:
    """One line a field in the table of terms."""
    missing = []
    for name, found in vars(importlib.import_module(module)).items():
        if not inspect.isclass(found) or found.__module__ != module or not dataclasses.is_dataclass(found):
            continue
        own = {each.name for each in dataclasses.fields(found)}
        for base in found.__mro__[1:]:
            own -= {each.name for each in dataclasses.fields(base)} if dataclasses.is_dataclass(base) else set()
        if not name.startswith("_"):
            missing += [f"{name}.{field}" for field in own if f"| {name}.{field} |" not in DEVELOPERS]

    assert missing == []


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    """The first paragraph says what it is for, before anything else."""
    title, _, rest = README.partition("\n\n")

    assert title == "# Traywarden"
    assert rest.split("\n\n")[0].startswith("Traywarden watches a small room of microgreen trays")


@pytest.mark.parametrize("command", ["init", "check", "run", "rounds", "sow", "backup", "restore", "import", "status"])
def test_what_a_new_user_needs_is_in_readme(command: str) -> None:
    """Each with its command."""
    assert command in COMMANDS
    assert f"traywarden {command}" in README


def test_rules_have_their_place() -> None:
    """How to add one is told, and the list is not empty."""
    assert ALL
    assert "alerts/rules/" in DEVELOPERS


@pytest.mark.parametrize(
    "words",
    [
        "not a safety device",
        "licensed electrician",
        "under a tray rack",
        "cannot see germs",
        "never over your head",
        "untreated seed",
        "never mix",
        "bin the whole tray",
        "higher risk",
        "living trays differ",
        "Local codes and licensed practice decide",
    ],
)
def test_cautions_stand_in_readme(words: str) -> None:
    """Where the work can hurt someone."""
    assert words in " ".join(README.split())
