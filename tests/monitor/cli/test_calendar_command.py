"""``traywarden calendar``: the secret address, a new one, and a file."""

from __future__ import annotations

import json
from pathlib import Path

from ical.calendar_stream import IcsCalendarStream

from tests.support.commands import call
from tests.support.farms import TEXT


def farm_file(folder: Path) -> Path:
    """Write Saltcellar Farm's file and return its path."""
    path = folder / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
    call(path, "sow", "radish", "--trays", "8", "--spot", "1/1")
    return path


def test_it_tells_the_address_and_what_a_phone_shows(tmp_path: Path) -> None:
    """The moves of what was sown, and that nothing outside this machine reaches it yet."""
    said = call(farm_file(tmp_path), "calendar")

    assert "http://127.0.0.1:8467/calendar/" in said.out
    assert "set url under [pages]" in said.out
    assert "Wed 4 Mar 07:30  Uncover: 8 trays, batch 1 radish, rack 1 shelf 1" in said.out


def test_a_new_address_is_another_one(tmp_path: Path) -> None:
    """And stays the same until the next is made."""
    farm = farm_file(tmp_path)

    told = [json.loads(call(farm, "calendar", *words, "--json").out)["address"] for words in ([], [], ["--renew"], [])]

    assert told[0] == told[1]
    assert told[2] == told[3]
    assert told[0] != told[2]


def test_a_file_holds_the_same_entries(tmp_path: Path) -> None:
    """Another library reads it; a place that cannot be written is refused."""
    farm, file = farm_file(tmp_path), tmp_path / "tasks.ics"

    told = json.loads(call(farm, "calendar", "--file", str(file), "--json").out)
    read = IcsCalendarStream.calendar_from_ics(file.read_bytes().decode())

    assert {event.uid for event in read.events} == {each["uid"] for each in told["entries"]}
    assert told["schema"] == "traywarden.calendar/1"
    assert "name another file" in (call(farm, "calendar", "--file", str(tmp_path / "no" / "x.ics")).refused or "")
