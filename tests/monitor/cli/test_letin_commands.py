"""`traywarden password` and `token`: who is let in to the pages."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.doors import Doors
from tests.support.commands import call
from tests.support.farms import TEXT


@pytest.fixture
def farm_path(tmp_path: Path) -> Path:
    """Return a farm's file."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("words", "typed"),
    [(("--stdin",), ["salt and light"]), ((), ["salt and light", "salt and light"])],
    ids=["piped", "typed twice"],
)
def test_a_password_is_set_for_a_person_of_the_farm(farm_path: Path, words: tuple[str, ...], typed: list[str]) -> None:
    """Capitals do not count in the name; what was typed is not shown."""
    said = call(farm_path, "password", "Ines", *words, answers=typed)

    assert said.refused is None
    assert Doors(farm_path.parent / "data").is_right("ines", "salt and light")
    assert "salt and light" not in said.out


def test_a_stranger_gets_none(farm_path: Path) -> None:
    """Who there is, is said."""
    said = call(farm_path, "password", "mallory", "--stdin", answers=["salt and light"])

    assert said.refused is not None
    assert "there are: ines, tomek" in said.refused


def test_a_password_is_removed(farm_path: Path) -> None:
    """And is then gone."""
    doors = Doors(farm_path.parent / "data")
    doors.set_password("ines", "salt and light")

    said = call(farm_path, "password", "ines", "--remove")

    assert said.refused is None
    assert doors.people() == ()


def test_a_token_is_made_shown_once_listed_and_ended(farm_path: Path) -> None:
    """The list never shows it again."""
    made = json.loads(call(farm_path, "token", "wall", "--device", "tomek", "--json").out)
    listed = json.loads(call(farm_path, "token", "--json").out)
    doors = Doors(farm_path.parent / "data")

    assert made["token"].startswith("tw_")
    assert doors.token(made["token"]) is not None
    assert [(each["name"], each["kind"], each["person"]) for each in listed["tokens"]] == [("wall", "device", "tomek")]
    assert "tw_" not in call(farm_path, "token").out
    assert call(farm_path, "token", "wall", "--end").refused is None
    assert doors.tokens() == ()


@pytest.mark.parametrize("words", [("reports",), ("reports", "--read-only", "--device", "ines")])
def test_a_token_says_what_it_may(farm_path: Path, words: tuple[str, ...]) -> None:
    """One of the two, and not both."""
    said = call(farm_path, "token", *words)

    assert said.refused is not None
    assert "--read-only, or --device WHO" in said.refused
