"""Links in a nudge: one person, one task, one day, one confirming tap."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from dashboards.web.links import HOLDS_FOR, Link, link_lines, link_of, read_link
from monitor.ledger import EntryKind
from tests.support.houses import Lodge, lodge

ABROAD = '[pages]\naddress = "192.0.2.10"\nurl = "https://farm.example"\n'
OTHER = "https://farm.example"


@pytest.fixture
def home(tmp_path: Path) -> Lodge:
    """Return a farm that other machines reach, with radish to uncover and sunflower to cut."""
    house = lodge(tmp_path, more=ABROAD)
    house.doors.set_password("ines", "salt and light")
    house.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    house.sow("3", "sunflower", 8, "cellar/2/1", days_ago=12)
    return house


def address(home: Lodge, start: str, person: str = "tomek", **more: timedelta) -> str:
    """Return the path of a link to a task."""
    task = next(each.key for each in home.house().lookout.moment(home.clock()).tasks if each.key.startswith(start))
    until = home.clock() + more.get("holds", HOLDS_FOR)
    return f"/tap/{link_of(home.doors, Link(person=person, task=task, until=until))}"


def line_of(text: str) -> str:
    """Return the line that a page asks for."""
    found = re.search(r'name="line" value="([^"]+)"', text)
    assert found is not None
    return found.group(1)


def test_opening_a_link_changes_nothing(home: Lodge) -> None:
    """A scanner in a mail server follows links, and may do so often."""
    client = home.client(base_url=OTHER)
    before = home.ledger.version()
    path = address(home, "1|uncover")

    pages = [client.get(path), client.head(path), client.get(path)]

    assert {page.status_code for page in pages} == {200}
    assert "tomek, is it done?" in pages[0].text
    assert home.ledger.version() == before


def test_one_tap_on_it_answers_that_task_in_that_persons_name(home: Lodge) -> None:
    """Without signing in; a second tap changes nothing and says so."""
    client = home.client(base_url=OTHER)
    path = address(home, "1|uncover")
    form = {"line": line_of(client.get(path).text), "says": "done"}

    first, second = client.post(path, data=form), client.post(path, data=form)

    uncovered = [entry for entry in home.ledger.entries() if entry.kind is EntryKind.UNCOVERED]
    assert [(entry.by, entry.batch) for entry in uncovered] == [("tomek", "1")]
    assert "Noted: batch 1 radish uncovered" in first.text
    assert "Noted: batch 1 radish uncovered" in second.text
    assert client.get("/").status_code == 303  # it opens no other door


def test_a_link_answers_no_other_task(home: Lodge) -> None:
    """A line of another task is refused."""
    client = home.client(base_url=OTHER)
    other = line_of(client.get(address(home, "3|harvest")).text)
    before = home.ledger.version()

    answer = client.post(address(home, "1|uncover"), data={"line": other, "says": "done", "grams": "5"})

    assert answer.status_code == 422
    assert home.ledger.version() == before


def test_a_link_ends_after_a_day(home: Lodge) -> None:
    """It says that it is old, and changes nothing."""
    path = address(home, "1|uncover")
    home.clock.set(home.clock() + HOLDS_FOR)

    answer = home.client(base_url=OTHER).get(path)

    assert answer.status_code == 422
    assert "more than a day old" in answer.text


def test_an_altered_link_is_none(home: Lodge) -> None:
    """And so is a session's signature under another purpose."""
    path = address(home, "1|uncover")
    client = home.client(base_url=OTHER)

    assert client.get(path[:-2] + ("AA" if path[-2:] != "AA" else "BB")).status_code == 404
    assert read_link(home.doors, "WyJpbmVzIiwgMV0.x") is None


def test_another_site_cannot_tap(home: Lodge) -> None:
    """The confirming tap comes from our own page."""
    path = address(home, "1|uncover")
    client = home.client(base_url=OTHER)
    form = {"line": line_of(client.get(path).text), "says": "done"}

    assert client.post(path, data=form, headers={"Origin": "https://evil.example"}).status_code == 403


def test_a_message_has_one_link_a_task_and_none_for_promises(home: Lodge) -> None:
    """What is answered on a page of its own has none; without tasks nothing is added."""
    keys = ["1|uncover|germination|2026-03-02", "P1|sow|harvest|2026-03-20", "1|uncover|germination|2026-03-02"]

    text = link_lines(home.doors, "https://farm.example", "ines", keys, home.clock())

    assert text.count("https://farm.example/tap/") == 1
    assert "Batch 1, uncover: https://" in text
    assert link_lines(home.doors, "https://farm.example", "ines", keys[1:2], home.clock()) == ""


def test_a_nudge_that_goes_out_carries_its_links(tmp_path: Path) -> None:
    """By a file channel of the real service; the console, where commands are typed anyway, has none."""
    from monitor.clock import ManualClock
    from monitor.ledger import NewEntry
    from monitor.profilefile import shipped_profiles
    from monitor.service import Service
    from tests.support.farms import farm
    from tests.support.houses import NOW

    more = '[[channel]]\nid = "file"\nkind = "jsonl"\npath = "out.jsonl"\n[pages]\nurl = "https://farm.example"\n'
    more += '[[channel]]\nid = "console"\nkind = "console"\n[[person]]\nid = "uli"\nchannels = ["file"]\n'
    clock = ManualClock(NOW)
    service = Service(farm(tmp_path, more=more), shipped_profiles(), clock=clock)
    sown = NewEntry(
        kind=EntryKind.SOWN, at=NOW - timedelta(days=2), by="uli", batch="1", trays=6, spot="cellar/1/1",
        data={"crop": "radish", "tray_kind": "1020"},
    )  # fmt: skip
    service.ledger.append([sown], recorded_at=NOW)

    service.run_due(NOW)
    service.stop()

    lines = (tmp_path / "out.jsonl").read_text(encoding="utf-8")
    assert lines.count("https://farm.example/tap/") == 1
