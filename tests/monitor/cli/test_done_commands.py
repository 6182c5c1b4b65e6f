"""A whole round answered at once, and taken back as one, as a grower types it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm of three batches on two shelves, sown on Monday 2 March 2026; it is Thursday after the round."""

    def __init__(self, folder: Path) -> None:
        """Sow, and do the first rounds."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
        self.to(2, 9)
        self.says("sow", "radish", "--trays", "8", "--spot", "1/1", "--lot", "R-77", "--untreated")
        self.says("sow", "kale", "--trays", "4", "--spot", "1/1", "--untreated")
        self.says("sow", "pea", "--trays", "4", "--spot", "1/2", "--untreated")
        self.to(4, 7, 40)
        self.says("uncover", "1", "--trays", "5", "--to", "1/3")
        self.to(5, 7, 40)

    def to(self, day: int, hour: int, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)

    def due(self) -> list[tuple[str, str]]:
        """Return what is to be done now."""
        return [(task["batch"], task["kind"]) for task in self.json("rounds")["due"]]


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_a_round_is_answered_at_once_and_taken_back_as_one(cellar: Cellar) -> None:
    """Nothing of it is due afterwards; after undo all is due again; the entries name who did it."""
    before = cellar.due()
    entries = cellar.json("done", "--all", "--by", "tomek")["entries"]

    assert len(before) == 5
    assert [(e["batch"], e["kind"], e["trays"]) for e in entries] == [
        ("1", "uncovered", 3),
        ("2", "uncovered", 4),
        ("3", "uncovered", 4),
        ("1", "lights on", 5),
        ("1", "watered", 5),
    ]
    assert {entry["by"] for entry in entries} == {"tomek"}
    assert {entry["data"]["together"] for entry in entries} == {entries[0]["id"]}
    assert not {(e["kind"], e["trays"]) for e in entries} & {
        (t["kind"], t["trays"]) for t in cellar.json("rounds")["due"]
    }
    assert ("3", "uncover") not in cellar.due()
    assert "5 entries are taken back" in cellar.says("undo", "--yes")
    assert cellar.due() == before


def test_one_shelf_is_answered_and_the_rest_stays_due(cellar: Cellar) -> None:
    """Only the trays that stand there."""
    said = cellar.says("done", "--shelf", "1/1", "--yes")

    assert "batch 1 radish: uncover, 3 trays, rack 1 shelf 1" in said
    assert ("2", "uncover") not in cellar.due()
    assert {("3", "uncover"), ("1", "end blackout")} <= set(cellar.due())


def test_what_is_picked_out_is_left_out_and_said_so(cellar: Cellar) -> None:
    """A batch, or one task of a batch; a wrong number is refused."""
    said = cellar.says("done", "--all", "--except", "3,1:water", "--yes")

    assert "LEFT OUT  batch 1 radish: water, 5 trays, rack 1 shelf 3: you picked it out" in said
    assert {("3", "uncover"), ("1", "water")} <= set(cellar.due())
    assert not {("1", "uncover"), ("2", "uncover"), ("1", "end blackout")} & set(cellar.due())
    assert "no task of this round is '9'" in cellar.refuses("done", "--all", "--except", "9", "--yes")


def test_nothing_is_noted_without_all_or_a_shelf(cellar: Cellar) -> None:
    """It is shown, and the way to note it; nor is anything noted after a no."""
    before = cellar.due()
    shown = cellar.run("done")
    no = cellar.run("done", "--all", answer="n\n")

    assert len(cellar.json("done")["would_answer"]) == len(before)
    assert "batch 1 radish: uncover" in shown.output
    assert "say --all" in str(shown.exception)
    assert "Note all of this?" in no.output
    assert cellar.due() == before


def test_a_harvest_is_asked_for_grams_and_not_watered_before(cellar: Cellar) -> None:
    """Enter leaves it out; grams are of all trays cut."""
    cellar.says("done", "--all", "--yes")
    for day in (6, 7, 8):
        cellar.to(day, 7, 40)
        cellar.says("done", "--all", "--yes")
    cellar.to(9, 7, 40)

    out = cellar.says("done", "--all", "--yes")
    cellar.says("undo", "--yes")
    said = cellar.says("done", "--all", answer="1480\n\ny\n")

    assert "LEFT OUT  batch 1 radish: harvest, 8 trays" in out
    assert "batch 1 radish: harvest, 8 trays, rack 1 shelf 1 and rack 1 shelf 3, 1.48 kg in all" in said
    assert "cut in this round, so not watered before" in said
    (radish,) = [batch for batch in cellar.json("batches", "--all")["batches"] if batch["id"] == "1"]
    assert (radish["cut"], radish["standing"]) == (8, 0)
    grams = [entry["data"]["grams"] for entry in cellar.json("batch", "1")["entries"] if entry["kind"] == "harvested"]
    assert sum(grams) == 1480


def test_what_a_deed_of_this_round_brings_is_not_answered_with_it(cellar: Cellar) -> None:
    """A tray thrown away in the round: the wash comes with the next one, and was entered as done unasked."""
    cellar.to(5, 7, 35)
    cellar.says("discard", "1", "--trays", "1", "--spot", "1/3", "--why", "grey fuzz")
    cellar.to(5, 7, 45)

    entries = cellar.json("done", "--all")["entries"]
    assert not {"looked", "cleaned"} & {entry["kind"] for entry in entries}
    cellar.to(5, 17, 5)
    assert ("1", "wash the shelf") in cellar.due()


def test_undo_takes_back_a_single_entry_after_asking(cellar: Cellar) -> None:
    """It is shown first; a no leaves it."""
    cellar.says("water", "1", "--ml", "200")

    assert "nothing was taken back" in str(cellar.run("undo", answer="n\n").exception)
    said = cellar.says("undo", answer="y\n")
    assert "batch 1 radish watered" in said
    assert "watered" not in [entry["kind"] for entry in cellar.json("batch", "1")["entries"]]
    cellar.says("correct", "1", "--trays", "7")
    assert "holds again" in cellar.says("undo", "--yes")
    assert {batch["id"]: batch["sown"] for batch in cellar.json("batches")["batches"]}["1"] == 8
