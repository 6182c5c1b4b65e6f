"""What a command says comes next, and how it takes a batch named by its crop."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


@pytest.fixture
def cellar(tmp_path: Path) -> Typist:
    """Return a farm where pea was put to soak on Monday 2 March 2026, 08:00."""
    typist = Typist()
    typist.path, typist.now = tmp_path / "farm.toml", datetime(2026, 3, 2, 8, tzinfo=UTC)
    typist.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
    typist.says("soak", "pea", "--trays", "4")
    return typist


def test_a_soak_ends_by_its_hours(cellar: Typist) -> None:
    """It said "usually Mon 2 Mar (Mon 2 Mar to Mon 2 Mar)"."""
    cellar.says("soak", "pea", "--trays", "2")
    said = cellar.says("note", "2", "in the blue bucket")

    assert "Next: drain the soak and sow, usually Mon 2 Mar 17:00, at the latest Mon 2 Mar 20:00." in said


def test_what_was_drained_and_sown_is_not_to_be_drained_next(cellar: Typist) -> None:
    """After the drain comes the sowing, after that the uncovering; it said "drain the soak" for ever."""
    cellar.now = datetime(2026, 3, 2, 16, tzinfo=UTC)

    assert "Next: sow it today." in cellar.says("drain", "1")
    assert "Next: uncover, usually Thu 5 Mar" in cellar.says("sow", "pea", "--spot", "1/1")


def test_trays_in_the_light_are_looked_at_by_their_crop(cellar: Typist) -> None:
    """A look over was refused, in words that were none."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/2")
    cellar.now = datetime(2026, 3, 4, 8, tzinfo=UTC)
    cellar.says("uncover", "radish")

    assert "4 trays of batch 2 radish" in cellar.says("look", "radish", "--text", "nothing seen")
    assert "no batch 'kale' can be looked at" in cellar.refuses("look", "kale")
