"""Rounds by forms and by kept taps: the same entries as the command line's, each tap once."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from dashboards.web.lookout import Moment
from monitor.ledger import Entry, EntryKind, NewEntry
from tests.dashboards.web.test_gate import csrf_of
from tests.support.houses import Lodge, lodge

CSRF = "x-traywarden-form"


@pytest.fixture
def home(tmp_path: Path) -> Lodge:
    """Return a farm with radish to uncover, pea to water and sunflower to cut."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    house.sow("2", "pea", 4, "cellar/1/2", days_ago=7)
    house.sow("3", "sunflower", 8, "cellar/2/1", days_ago=12)
    return house


def lines(client: TestClient) -> list[str]:
    """Return the keys of the lines to do, as the page has them."""
    text = client.get("/").text.partition("May be done already")[0]
    return [key.replace("&#43;", "+") for key in re.findall(r'data-line="([^"]+)"', text)]


def line(client: TestClient, start: str) -> str:
    """Return the key of the first line that begins so."""
    return next(key for key in lines(client) if key.startswith(start))


def tap(client: TestClient, *fields: tuple[str, str], path: str = "/rounds/one", **more: Any) -> dict[str, str]:
    """Send one kept tap, and return its outcome."""
    said = {"tap": "tap-00000001", "path": path, "fields": list(fields), "at": 0, "by": "ines", **more}
    token = csrf_of(client.get("/").text)
    answer = client.post("/taps", json={"sent_at": more.get("sent_at", 0), "taps": [said]}, headers={CSRF: token})
    assert answer.status_code == 200
    found: dict[str, str] = answer.json()["outcomes"][0]
    return found


def newest(home: Lodge, kind: EntryKind) -> list[Entry]:
    """Return the entries of a kind."""
    return [entry for entry in home.ledger.entries() if entry.kind is kind]


def test_a_plain_form_answers_a_line_and_leads_back(home: Lodge) -> None:
    """Without script: post, redirect, and the page says what was done, with a way back."""
    client = home.client()
    page = client.get("/").text
    form = {"csrf": csrf_of(page), "nonce": "n1", "line": line(client, "1|uncover"), "says": "done"}

    answer = client.post("/rounds/one", data=form)

    (entry,) = newest(home, EntryKind.UNCOVERED)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert (entry.batch, entry.trays, entry.spot, entry.by, entry.at) == ("1", 6, "cellar/1/1", "ines", home.clock())
    after = client.get("/").text
    assert "batch 1 radish uncovered, 6 trays, rack 1 shelf 1" in after
    assert "Take it back" in after
    assert home.woken == 1


def test_the_entries_are_those_of_the_command_line(home: Lodge, tmp_path: Path) -> None:
    """`traywarden done --all` on the same book writes the same, but for what marks the tap."""
    from click.testing import CliRunner

    from monitor.cli import root
    from monitor.cli.common import Context
    from tests.support.farms import TEXT

    other = lodge(tmp_path / "other")
    for entry in home.ledger.entries():
        other.ledger.append([entry], recorded_at=entry.recorded_at)
    (tmp_path / "other" / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
    client = home.client()
    shown = [("shown", key) for key in lines(client)]
    grams = [(f"grams:{line(client, '3|harvest')}", "1480")]

    outcome = tap(client, ("shelf", "*"), *shown, *grams, path="/rounds/all")
    context = Context(farm_path=tmp_path / "other" / "farm.toml", clock=home.clock)
    done = CliRunner().invoke(root, ["done", "--all", "--yes", "--grams", "3=1480"], obj=context)

    assert done.exit_code == 0, done.output
    assert outcome["outcome"] == "done"

    def plain(entries: tuple[Entry, ...]) -> list[tuple[Any, ...]]:
        own = ("tap", "together", "asked")
        more = [{key: value for key, value in each.data.items() if key not in own} for each in entries]
        return [
            (each.kind, each.batch, each.trays, each.spot, each.stack, each.at, each.by, data)
            for each, data in zip(entries, more, strict=True)
        ]

    assert plain(home.ledger.entries()) == plain(other.ledger.entries())


def test_the_same_tap_twice_is_one_entry(home: Lodge) -> None:
    """A phone that did not hear the answer sends again."""
    client = home.client()
    key = line(client, "2|water")

    first = tap(client, ("line", key), ("says", "done"))
    second = tap(client, ("line", key), ("says", "done"))

    assert (first["outcome"], second["outcome"]) == ("done", "done")
    assert len(newest(home, EntryKind.WATERED)) == 1


def test_two_phones_marking_the_same_task_write_it_once(home: Lodge) -> None:
    """The slower one is told who was faster."""
    client = home.client()
    key = line(client, "1|uncover")
    tap(client, ("line", key), ("says", "done"))

    second = tap(client, ("line", key), ("says", "done"), tap="tap-00000002")

    assert second["outcome"] == "already"
    assert "ines was faster: batch 1 radish uncovered" in second["says"]
    assert len(newest(home, EntryKind.UNCOVERED)) == 1


def test_an_entry_between_looking_and_writing_is_seen(home: Lodge, monkeypatch: pytest.MonkeyPatch) -> None:
    """The moment is worked out again, and nothing is done twice."""
    house = home.house()
    from dashboards.web.rounds import answer_one
    from dashboards.web.taps import Fields, Tapped

    key = line(home.client(), "1|uncover")
    real = house.lookout.moment
    raced: list[int] = []

    def moment(at: Any) -> Moment:
        found = real(at)
        if not raced:
            raced.append(1)
            home.enter(NewEntry(kind=EntryKind.UNCOVERED, at=at, by="tomek", batch="1", trays=6, spot="cellar/1/1"))
        return found

    monkeypatch.setattr(house.lookout, "moment", moment)
    tapped = Tapped(key="tap-00000009", at=home.clock(), by="ines", now=home.clock())

    outcome = answer_one(house, Fields([("line", key), ("says", "done")]), tapped)

    assert outcome.word == "already"
    assert [entry.by for entry in newest(home, EntryKind.UNCOVERED)] == ["tomek"]


def test_a_tap_made_offline_keeps_its_own_time_whatever_the_phones_clock(home: Lodge) -> None:
    """It happened twenty minutes before it was sent; the phone's clock is years off."""
    client = home.client()

    tap(client, ("line", line(client, "1|uncover")), ("says", "done"), at=1_000_000, sent_at=1_000_000 + 20 * 60_000)

    (entry,) = newest(home, EntryKind.UNCOVERED)
    assert entry.at == home.clock() - timedelta(minutes=20)
    assert entry.recorded_at == home.clock()


def test_a_tap_that_comes_after_midnight_answers_yesterdays_pour(home: Lodge) -> None:
    """The line was asked for when it was tapped, and nobody has answered it since."""
    client = home.client()
    key = line(client, "2|water")
    home.clock.set(home.clock() + timedelta(hours=18))
    kept = 18 * 3_600_000

    outcome = tap(client, ("line", key), ("says", "done"), at=5, sent_at=5 + kept)

    assert outcome["outcome"] == "done"
    assert newest(home, EntryKind.WATERED)[0].at == home.clock() - timedelta(hours=18)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        pytest.param({"by": "tomek"}, "sign in as tomek", id="somebody else's tap"),
        pytest.param({"path": "/rounds/elsewhere"}, "takes no taps", id="a path that takes none"),
        pytest.param({"at": -9e8, "sent_at": 0}, "more than a week", id="a tap of long ago"),
        pytest.param({"at": "soon"}, "cannot be read", id="a time that is none"),
        pytest.param({"at": (-1e300)}, "cannot be read", id="a time before all times"),
        pytest.param({"tap": "short"}, "no key", id="a key too short"),
    ],
)
def test_a_tap_that_cannot_be_taken_says_why(home: Lodge, more: dict[str, Any], words: str) -> None:
    """Nothing is entered, and the others of the same sending are not held up."""
    client = home.client()
    before = home.ledger.version()

    outcome = tap(client, ("line", line(client, "1|uncover")), ("says", "done"), **more)

    assert outcome["outcome"] == "refused"
    assert words in outcome["says"]
    assert home.ledger.version() == before


def test_not_yet_puts_a_line_off_to_the_next_round(home: Lodge) -> None:
    """It is gone now, and asked again at 17:00."""
    client = home.client()
    key = line(client, "1|uncover")

    tap(client, ("line", key), ("says", "not yet"))

    assert key not in lines(client)
    home.clock.set(home.clock() + timedelta(hours=8, minutes=5))
    assert key in lines(client)
    assert "Asked again" in client.get("/").text


@pytest.mark.parametrize(("feel", "is_asked"), [("heavy", False), ("right", False), ("light", True)])
def test_a_lifted_tray_tells_what_a_hand_felt(home: Lodge, feel: str, is_asked: bool) -> None:
    """Heavy and right put the pour off; light leaves it."""
    client = home.client()

    outcome = tap(client, ("line", line(client, "2|water")), ("says", feel))

    (entry,) = newest(home, EntryKind.LIFTED)
    assert outcome["outcome"] == "done"
    assert (entry.batch, entry.data["feel"]) == ("2", feel)
    assert any(key.startswith("2|water") for key in lines(client)) is is_asked


def test_a_harvest_asks_for_its_grams(home: Lodge) -> None:
    """Without them nothing is entered; with them the yield is kept."""
    client = home.client()
    key = line(client, "3|harvest")

    without = tap(client, ("line", key), ("says", "done"), ("grams", ""))
    taken = tap(client, ("line", key), ("says", "done"), ("grams", "1,48 kg"), tap="tap-00000002")

    assert without["outcome"] == "refused"
    assert "how much was cut" in without["says"]
    assert taken["outcome"] == "done"
    assert newest(home, EntryKind.HARVESTED)[0].data["grams"] == pytest.approx(1480)


def test_a_part_of_a_line_is_answered_and_the_rest_stays(home: Lodge) -> None:
    """Four of six trays are uncovered; two are still asked for."""
    client = home.client()
    key = line(client, "1|uncover")

    tap(client, ("line", key), ("part", "part"), ("trays", "4"))

    assert newest(home, EntryKind.UNCOVERED)[0].trays == 4
    assert re.search(r"Uncover</span> radish, 2 trays", client.get("/").text)


def test_a_shelf_is_answered_at_once_but_for_what_is_left_out(home: Lodge) -> None:
    """The other shelves stay, and what was picked out stays."""
    home.sow("4", "broccoli", 4, "cellar/1/2", days_ago=9)
    client = home.client()
    shown = [("shown", key) for key in lines(client)]
    out = line(client, "4|water")

    outcome = tap(client, ("shelf", "cellar/1/2"), ("but", out), *shown, path="/rounds/all")

    left = lines(client)
    assert outcome["outcome"] == "done"
    assert "you picked it out" in outcome["says"]
    assert out in left
    assert not any(key.startswith("2|") for key in left)
    assert any(key.startswith("1|uncover") for key in left)


def test_what_was_not_shown_is_not_answered(home: Lodge) -> None:
    """A line that came up after the page was drawn is not done by a tap on "the whole round"."""
    client = home.client()
    shown = [("shown", key) for key in lines(client)]
    home.sow("5", "radish", 3, "cellar/2/2", days_ago=2)

    tap(client, ("shelf", "*"), *shown, path="/rounds/all")

    assert [key.split("|")[0] for key in lines(client) if "uncover" in key] == ["5"]


def undo(client: TestClient, of: str, key: str) -> dict[str, str]:
    """Tap "take it back"."""
    return tap(client, ("of", of), ("says", "undo"), path="/rounds/undo", tap=key)


def test_an_answer_is_taken_back_and_put_in_again_within_its_minute(home: Lodge) -> None:
    """Both ways by one tap; the book keeps all of it."""
    client = home.client()
    key = line(client, "1|uncover")
    tap(client, ("line", key), ("says", "done"))
    assert key not in lines(client)

    assert undo(client, "tap-00000001", "tap-00000002")["outcome"] == "done"
    assert key in lines(client)
    assert "Put it in again" in client.get("/").text
    assert undo(client, "tap-00000002", "tap-00000003")["outcome"] == "done"

    assert key not in lines(client)
    assert "Take it back" in client.get("/").text
    assert [entry.kind.value for entry in home.ledger.entries()][3:] == ["uncovered", "withdrawn", "uncovered"]


def test_a_whole_round_is_taken_back_as_one(home: Lodge) -> None:
    """With one tap, all of it."""
    client = home.client()
    before = lines(client)
    shown = [("shown", key) for key in before]
    tap(client, ("shelf", "*"), *shown, path="/rounds/all")
    assert lines(client) != before

    undo(client, "tap-00000001", "tap-00000002")

    assert lines(client) == before


@pytest.mark.parametrize(
    ("later", "by", "words"),
    [
        pytest.param(timedelta(minutes=2), "ines", "for a minute", id="the minute is over"),
        pytest.param(timedelta(seconds=5), "tomek", "ines's answer", id="somebody else's"),
    ],
)
def test_what_cannot_be_taken_back_says_so(home: Lodge, later: timedelta, by: str, words: str) -> None:
    """With the way that is left."""
    client = home.client()
    tap(client, ("line", line(client, "1|uncover")), ("says", "done"))
    home.clock.set(home.clock() + later)
    client.post("/sign-in", data={"csrf": csrf_of(client.get("/").text), "who": by})

    said = tap(client, ("of", "tap-00000001"), ("says", "undo"), path="/rounds/undo", tap="tap-00000002", by=by)

    assert said["outcome"] == "refused"
    assert words in said["says"]
    assert len(newest(home, EntryKind.UNCOVERED)) == 1


def test_an_empty_round_says_until_when_and_how_the_room_is(tmp_path: Path) -> None:
    """Nothing stands: nothing to do until the next round; without sensors not a word of them."""
    text = lodge(tmp_path).client().get("/").text

    assert "Nothing to do until 17:00." in text
    assert "sensor" not in text


def test_holds_stand_before_everything_else(home: Lodge) -> None:
    """Before what is to be done, with why and by whom."""
    home.enter(NewEntry(kind=EntryKind.HELD, at=home.clock(), by="ines", batch="3", data={"why": "smells odd"}))

    text = home.client().get("/").text

    assert 0 < text.index("ON HOLD: do not cut, do not deliver") < text.index('class="way"')
    assert "smells odd" in text
    assert "3|harvest" not in text


def test_trays_on_two_shelves_are_two_lines(home: Lodge) -> None:
    """One line a tray group; one of them is answered by itself."""
    home.enter(
        NewEntry(kind=EntryKind.MOVED, at=home.clock(), by="ines", batch="1", trays=2, data={"to": "cellar/2/3"})
    )
    client = home.client()
    keys = [key for key in lines(client) if key.startswith("1|uncover")]

    tap(client, ("line", keys[1]), ("says", "done"))

    assert [key.partition("@")[2] for key in keys] == ["cellar/1/1", "cellar/2/3"]
    assert [(entry.trays, entry.spot) for entry in newest(home, EntryKind.UNCOVERED)] == [(2, "cellar/2/3")]
    assert any(key.startswith("1|uncover") for key in lines(client))
