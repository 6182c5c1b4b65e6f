"""The wall sheet printed, and entered in one dialogue, as a grower types it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm with two batches and a printed sheet of a week; it is Monday 2 March 2026."""

    def __init__(self, folder: Path) -> None:
        """Sow and print."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
        self.to(2, 9)
        self.says("sow", "radish", "--trays", "6", "--spot", "1/1", "--untreated")
        self.says("sow", "kale", "--trays", "4", "--spot", "1/2", "--untreated")
        self.page = folder / "sheet.html"
        self.says("sheet", "--html", str(self.page))
        self.lines: list[dict[str, Any]] = self.json("sheet")["lines"]

    def to(self, day: int, hour: int, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)

    def line(self, batch: str, kind: str) -> str:
        """Return the number of the first line of a kind for a batch."""
        return str(next(line["number"] for line in self.lines if (line["batch"], line["kind"]) == (batch, kind)))

    def entries(self, batch: str) -> list[tuple[str, str, str, int | None]]:
        """Return a batch's entries after its sowing."""
        rows = self.json("batch", batch)["entries"][1:]
        return [(row["kind"], row["at"][5:16], row["by"], row["trays"]) for row in rows]


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_what_was_ticked_is_entered_with_its_own_times_and_names(cellar: Cellar) -> None:
    """Several lines as printed; a part with a typed time by another person; a harvest with its grams; one undo."""
    cellar.to(9, 12)
    answers = [
        f"{cellar.line('1', 'uncover')},{cellar.line('1', 'end blackout')}", "", "", "",
        cellar.line("2", "uncover"), "part", "3", "wed 9:10", "tomek",
        cellar.line("1", "harvest"), "d", "", "", "1850",
        "", "y",
    ]  # fmt: skip

    said = cellar.says("enter", answer="\n".join(answers) + "\n")

    assert "Noted: 4 lines of sheet" in said
    assert cellar.entries("1") == [
        ("uncovered", "03-04T07:30", "ines", 6),
        ("lights on", "03-05T07:30", "ines", 6),
        ("harvested", "03-08T07:30", "ines", 6),
    ]
    assert cellar.entries("2") == [("uncovered", "03-04T09:10", "tomek", 3)]
    assert cellar.json("batch", "1")["entries"][-1]["data"]["grams"] == 1850
    assert "4 entries are taken back" in cellar.says("undo", "--yes")
    assert cellar.entries("1") == cellar.entries("2") == []


def test_not_yet_is_entered_as_not_yet(cellar: Cellar) -> None:
    """It is asked again at the next round."""
    cellar.to(4, 12)
    cellar.says("enter", answer=f"{cellar.line('1', 'uncover')}\nn\n\n\n\ny\n")

    assert cellar.entries("1") == [("not yet", "03-04T07:30", "ines", None)]


def test_what_cannot_be_is_left_out_and_said_and_the_rest_is_entered(cellar: Cellar) -> None:
    """A day that lies ahead, a line done twice, a line that is not there, a wrong word."""
    cellar.to(4, 12)
    uncover, cut = cellar.line("1", "uncover"), cellar.line("1", "harvest")
    answers = [cut, "", "", "", "99", "x", uncover, "perhaps", uncover, "", "", "", uncover, "", "", "", "", "y"]

    said = cellar.says("enter", answer="\n".join(answers) + "\n")

    assert f"line {cut} lies ahead" in said
    assert "there is no line 99" in said
    assert "'x' is no line" in said
    assert "'perhaps': say done, part or not yet" in said
    assert f"Not taken: line {uncover}:" in said
    assert "Noted: 1 line of sheet" in said
    assert cellar.entries("1") == [("uncovered", "03-04T07:30", "ines", 6)]


def test_a_held_batch_is_not_entered_as_cut(cellar: Cellar) -> None:
    """The sheet hung on the wall before the hold."""
    cellar.to(7, 9)
    cellar.says("hold", "--batch", "1", "--reason", "grey fuzz")
    cellar.to(9, 12)

    done = cellar.run("enter", answer=f"{cellar.line('1', 'harvest')}\n\n\n\n1850\n\n")

    assert "is on hold" in done.output
    assert str(done.exception) == "nothing was noted"


def test_nothing_is_noted_after_a_no(cellar: Cellar) -> None:
    """Asked at the end."""
    cellar.to(4, 12)
    done = cellar.run("enter", answer=f"{cellar.line('1', 'uncover')}\n\n\n\n\nn\n")

    assert str(done.exception) == "nothing was noted"
    assert cellar.entries("1") == []


def test_the_sheet_is_known_by_its_letters(cellar: Cellar) -> None:
    """The last ones are listed where the letters are wrong; without any sheet the way to one is said."""
    key = cellar.json("sheet", "--days", "3")["key"]
    cellar.to(4, 12)
    said = cellar.says("enter", key.lower(), answer=f"{cellar.line('1', 'uncover')}\n\n\n\n\ny\n")

    assert f"Sheet {key}, Mon 2 Mar to Wed 4 Mar" in said
    assert f"{key} (Mon 2 Mar to Wed 4 Mar)" in cellar.refuses("enter", "NONE")
    page = cellar.page.read_text(encoding="utf-8")
    assert "traywarden enter" in page
    assert "Initials" in page


def test_without_a_sheet_there_is_nothing_to_enter(tmp_path: Path) -> None:
    """And the way to one is said."""
    typist = Typist()
    typist.path, typist.now = tmp_path / "farm.toml", datetime(2026, 3, 2, 9, tzinfo=UTC)
    typist.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")

    assert "traywarden sheet --days 7" in typist.refuses("enter")
