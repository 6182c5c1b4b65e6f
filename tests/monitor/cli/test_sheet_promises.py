"""What is promised stands on the wall sheet, and is answered there: sown, soaked, agreed with the buyer, or not yet."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm that promised radish, pea, and too much basil; it is Tuesday 3 March 2026 with a sheet on the wall."""

    def __init__(self, folder: Path) -> None:
        """Promise and print."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
        self.to(3, 7, 40)
        self.says("promise", "6", "radish", "--for", "2026-03-13", "--whom", "the corner table")
        self.says("promise", "4", "pea", "--for", "2026-03-14", "--whom", "Quay Street kitchen")
        self.says("promise", "5", "basil", "--for", "2026-03-12", "--whom", "Quay Street kitchen")
        self.page = folder / "sheet.html"
        self.says("sheet", "--html", str(self.page))
        self.lines: list[dict[str, Any]] = self.json("sheet")["lines"]

    def to(self, day: int, hour: int, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)

    def line(self, kind: str, crop: str = "") -> dict[str, Any]:
        """Return the first line of a kind."""
        return next(line for line in self.lines if line["kind"] == kind and crop in line["crop"])


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_sowings_and_calls_stand_on_the_paper_in_the_nudges_words(cellar: Cellar) -> None:
    """How many, when, for whom; whom to ring, and what to offer; a box at each."""
    radish, basil = cellar.line("sow", "radish"), cellar.line("ring", "basil")
    text = cellar.says("sheet")

    assert radish["words"].startswith("Sow 6 trays, usually Thu 5 Mar, at the latest Sat 7 Mar;")
    assert radish["words"].endswith("For promise P1, 6 trays of radish to the corner table on Fri 13 Mar.")
    assert basil["words"].startswith("Ring Quay Street kitchen: 5 trays cannot be ready on Thu 12 Mar, none will")
    assert "[ ] promise P1 radish, 6 trays. Sow 6 trays" in text
    assert "What is promised" in cellar.page.read_text(encoding="utf-8")
    assert text.count("promise P1 radish") == text.count("promise P3 sweet basil") == 1


def test_what_is_sown_off_the_sheet_goes_on_growing_on_it(cellar: Cellar) -> None:
    """As the line's own name until it is entered, then under its number; the number of trays is what was sown."""
    sow = cellar.line("sow", "radish")
    name = f"L{sow['number']}"
    uncover = next(line for line in cellar.lines if (line["batch"], line["kind"]) == (name, "uncover"))
    cellar.to(8, 12)

    cellar.says("enter", answer=f"{sow['number']}\n\n\n\n5\nR-77\n1/2\n{uncover['number']}\n\n\n\n\ny\n")

    entries = cellar.json("batch", "1")["entries"]
    assert [(each["kind"], each["at"][5:16], each["trays"]) for each in entries] == [
        ("sown", "03-05T07:30", 5),
        ("uncovered", "03-07T07:30", 5),
    ]
    assert (entries[0]["spot"], entries[0]["data"]["lot"]) == ("cellar/1/2", "R-77")


def test_trays_without_a_place_stand_under_no_other_trays_shelf(cellar: Cellar) -> None:
    """They were printed below the last shelf named, as if they stood there; and were "on where they stand"."""
    mine = [line for line in cellar.lines if line["batch"].startswith("L")]

    assert {line["place"] for line in mine} == {"sown from this sheet"}
    assert "Sown from this sheet" in cellar.page.read_text(encoding="utf-8")
    assert not [line["words"] for line in cellar.lines if "on where" in line["words"]]


def test_the_number_is_still_known_when_more_is_entered_later(cellar: Cellar) -> None:
    """A sheet hangs for a week, and is entered on several evenings."""
    sow = cellar.line("sow", "radish")
    uncover = next(each for each in cellar.lines if each["kind"] == "uncover" and each["batch"] == f"L{sow['number']}")
    cellar.to(5, 12)
    cellar.says("enter", answer=f"{sow['number']}\n\n\n\n\n\n1/2\n\ny\n")
    cellar.to(8, 12)

    cellar.says("enter", answer=f"{uncover['number']}\n\n\n\n\ny\n")

    assert [each["kind"] for each in cellar.json("batch", "1")["entries"]] == ["sown", "uncovered"]


def test_what_was_sown_by_another_command_is_asked_for_by_its_number(cellar: Cellar) -> None:
    """Without it the line is not taken."""
    uncover = next(each for each in cellar.lines if each["kind"] == "uncover" and each["batch"].startswith("L"))
    cellar.to(5, 8)
    cellar.says("sow", "radish", "--trays", "6", "--untreated")
    cellar.to(8, 12)

    said = cellar.says("enter", answer=f"{uncover['number']}\n\n\n\n\n{uncover['number']}\n\n\n\n1\n\ny\n")

    assert f"Not taken: line {uncover['number']}: enter line" in said
    assert cellar.json("batch", "1")["entries"][-1]["kind"] == "uncovered"


def test_a_soaked_crop_is_entered_as_soaked_and_its_drained_seed_as_sown(cellar: Cellar) -> None:
    """The sheet's drain says to sow it, so that is asked."""
    sow = cellar.line("sow", "pea")
    drain = next(line for line in cellar.lines if line["kind"] == "drain")
    assert drain["batch"] == f"L{sow['number']}"
    cellar.to(10, 12)

    cellar.says("enter", answer=f"{sow['number']}\n\n\n\n\n\n\n\ny\n")
    cellar.says("enter", answer=f"{drain['number']}\n\n\n\n\n2/1\n\ny\n")

    entries = cellar.json("batch", "1")["entries"]
    assert [(each["kind"], each["trays"]) for each in entries] == [("soaked", None), ("drained", None), ("sown", 4)]


def test_a_buyer_that_was_rung_ends_the_call(cellar: Cellar) -> None:
    """What was agreed is the promise's number for that day."""
    cellar.to(3, 12)
    cellar.says("enter", answer=f"{cellar.line('ring')['number']}\n\n\n\n2\n\ny\n")

    (day,) = [each for each in cellar.json("promises")["days"] if each["promise"] == "P3"]
    assert day["trays"] == 2


def test_a_sowing_and_a_call_are_put_off_with_n(cellar: Cellar) -> None:
    """Asked again at the next round; so does the short command."""
    cellar.to(3, 12)
    cellar.says("enter", answer=f"{cellar.line('ring')['number']}\nn\n\n\n\ny\n")
    assert not [task for task in cellar.json("rounds")["due"] if task["kind"] == "ring"]
    cellar.to(3, 17)
    assert [task["batch"] for task in cellar.json("rounds")["due"] if task["kind"] == "ring"] == ["P3"]

    assert "promise P3 not yet" in cellar.says("not-yet", "P3", "ring")
    assert not [task for task in cellar.json("rounds")["due"] if task["kind"] == "ring"]


def test_a_whole_round_with_a_promise_in_it_can_be_answered(cellar: Cellar) -> None:
    """It fell over a promise's number, which is no batch; now what was begun is asked, or it is left out and said."""
    cellar.to(5, 8)
    said = cellar.says("done", "--all", answer="n\ny\n\n\n1/2\ny\nsown\n4\n\n2/1\ny\n")

    assert "promise P1: sow, 6 trays" in said
    assert "LEFT OUT  promise P3: ring the buyer" in said
    assert {each["id"]: each["sown"] for each in cellar.json("batches")["batches"]} == {"1": 6, "2": 4}
    assert cellar.json("done")["left_out"]
