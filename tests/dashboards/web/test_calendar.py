"""The calendar over the web: behind a secret address, fetched again only when it changed, renewed by its owner."""

from __future__ import annotations

import re
from pathlib import Path

from ical.calendar_stream import IcsCalendarStream
from starlette.testclient import TestClient

from monitor.ledger import EntryKind
from tests.support.farms import new
from tests.support.houses import lodge


def address_of(client: TestClient) -> str:
    """Return the path of the calendar's file, as its page shows it."""
    found = re.search(
        r"<code>http://127\.0\.0\.1:8467(/calendar/[0-9a-f]{32}\.ics)</code>", client.get("/calendar").text
    )
    assert found is not None
    return found.group(1)


def form_of(client: TestClient, path: str) -> dict[str, str]:
    """Return the form token of a page, as a form posts it."""
    found = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get(path).text)
    assert found is not None
    return {"csrf": found.group(1)}


def test_a_phone_follows_it_without_signing_in(tmp_path: Path) -> None:
    """The file is a calendar with the coming moves; asked again it says that nothing changed; then it moves."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=1)
    client = house.client()
    path = address_of(client)

    first = client.get(path)
    again = client.get(path, headers={"If-None-Match": first.headers["etag"]})
    house.enter(new(EntryKind.UNCOVERED, house.clock(), "1"))
    moved = client.get(path, headers={"If-None-Match": first.headers["etag"]})

    assert first.headers["content-type"].startswith("text/calendar")
    assert again.status_code == 304
    before = {event.uid: event for event in IcsCalendarStream.calendar_from_ics(first.text).events}
    after = {event.uid: event for event in IcsCalendarStream.calendar_from_ics(moved.text).events}
    assert moved.status_code == 200
    assert any((event.summary or "").startswith("Uncover") for event in before.values())
    kept = before.keys() & after.keys()
    assert kept
    assert not any((event.summary or "").startswith("Uncover") for event in after.values())
    assert {after[uid].sequence for uid in kept} >= {1}
    house.close()


def test_it_is_open_to_nobody_who_does_not_know_the_address(tmp_path: Path) -> None:
    """A wrong secret finds nothing, whatever its length."""
    house = lodge(tmp_path)
    client = house.client()

    assert client.get(f"/calendar/{'0' * 32}.ics").status_code == 404
    assert client.get("/calendar/x.ics").status_code == 404
    assert client.get("/calendar/ä.ics").status_code == 404
    house.close()


def test_a_new_address_ends_the_old_one(tmp_path: Path) -> None:
    """Made by a form that only our own page posts."""
    house = lodge(tmp_path)
    client = house.client()
    old = address_of(client)

    refused = client.post("/calendar", data={})
    done = client.post("/calendar", data=form_of(client, "/calendar"))

    assert refused.status_code == 403
    assert done.status_code == 303
    assert client.get(old).status_code == 404
    assert address_of(client) != old
    house.close()


def test_the_page_says_that_no_phone_reaches_loopback(tmp_path: Path) -> None:
    """And how to mend it; a farm whose pages have a name is not told."""
    near, far = lodge(tmp_path / "a"), lodge(tmp_path / "b", more='[pages]\nurl = "https://saltcellar.example"\n')

    assert "no phone reaches this address" in near.client().get("/calendar").text
    told = far.client(base_url="https://saltcellar.example").get("/calendar")
    assert "https://saltcellar.example/calendar/" in told.text or told.status_code == 303
    assert "no phone reaches" not in told.text
    near.close()
    far.close()
