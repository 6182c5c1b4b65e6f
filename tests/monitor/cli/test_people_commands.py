"""Covers as a grower types them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm of two, and a clock; it is Monday 2 March 2026."""

    def __init__(self, folder: Path, more: str = "") -> None:
        """Write farm.toml."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
        self.to(2, 9)

    def to(self, day: int, hour: int, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_a_cover_from_its_entry_to_the_summary(cellar: Cellar) -> None:
    """The only other person is the stand-in; days are weekdays ahead; it can be ended early."""
    said = cellar.says("cover", "ines", "fri", "sun", "--note", "blade in the left drawer")

    assert "tomek walks ines's rounds, Fri 6 Mar to Sun 8 Mar" in said
    assert "no telephone number is kept here" in said
    (row,) = cellar.json("covers")["covers"]
    assert (row["person"], row["standin"], row["from"], row["to"]) == ("ines", "tomek", "2026-03-06", "2026-03-08")
    cellar.to(6, 8)
    cellar.says("sow", "radish", "--trays", "2", "--by", "tomek")
    assert "(now, entry 1): blade in the left drawer" in cellar.says("covers")
    cellar.to(7, 9)
    assert "ines walks again from today" in cellar.says("cover", "ines", "--end")
    assert cellar.json("covers", "--all")["covers"][0]["to"] == "2026-03-06"
    assert "Nobody stands in" in cellar.says("covers")
    summary = cellar.says("covers", "--summary", "ines")
    assert " - Fri 6 Mar, tomek: sowed batch 1 radish" in summary


def test_a_cover_to_come_is_called_off(cellar: Cellar) -> None:
    """Nothing of it is left but the book's own rows."""
    cellar.says("cover", "ines", "fri", "sun")
    cellar.says("cover", "ines", "--end")

    assert cellar.json("covers", "--all")["covers"] == []
    assert "nobody stands in for ines" in cellar.refuses("cover", "ines", "--end")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("cover", "ines"), "from which day to which"),
        (("cover", "ines", "2026-03-08", "2026-03-06"), "lies before"),
        (("cover", "ines", "2026-02-01", "2026-02-03"), "is past"),
        (("cover", "ines", "fri", "sun", "--by", "ines"), "cannot stand in for ines"),
        (("cover", "nobody", "fri", "sun"), "nobody is called 'nobody'"),
        (("cover", "ines", "2026-03-08", "2027-03-06"), "more than three months"),
        (("covers", "--summary", "ines"), "nobody has stood in for ines"),
    ],
)
def test_what_cannot_be_is_refused(cellar: Cellar, words: tuple[str, ...], says: str) -> None:
    """With the way out."""
    assert says in cellar.refuses(*words)


def test_with_several_people_the_stand_in_is_asked_for(tmp_path: Path) -> None:
    """And listed."""
    cellar = Cellar(tmp_path, '[[person]]\nid = "ana"\nchannels = ["console"]\n')

    assert "there are: tomek, ana" in cellar.refuses("cover", "ines", "fri", "sun")


def test_what_is_odd_about_a_cover_is_said(cellar: Cellar) -> None:
    """A person without duty on those days; a stand-in who is away too."""
    assert "tomek is not on duty on any of these days" in cellar.says("cover", "tomek", "mon", "tue")
    assert "tomek is away too on Mon 2 Mar" in cellar.says("cover", "ines", "mon", "mon")
