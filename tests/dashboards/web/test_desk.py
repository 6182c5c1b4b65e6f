"""Sow, Alarms and Ahead over the web: forms that work without a script, each counted once, and nothing unescaped."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from alerts.findings import Priority
from monitor.ledger import Entry, EntryKind
from tests.support.busy import alarm, busy, enter
from tests.support.houses import Lodge


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Lodge]:
    """Return a house in which something of everything stands."""
    made = busy(tmp_path)
    yield made
    made.close()


@pytest.fixture
def client(house: Lodge) -> TestClient:
    """Return a browser of sorts without script."""
    return house.client()


def hidden(text: str, action: str, **wanted: str) -> dict[str, str]:
    """Return the hidden fields of the first form of an action that holds what is wanted."""
    for form in re.findall(rf'<form method="post" action="{action}".*?</form>', text, flags=re.DOTALL):
        found = dict(re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', form))
        if wanted.items() <= found.items():
            return found
    raise AssertionError(f"no form to {action} with {wanted}")


def newest(house: Lodge, kind: EntryKind) -> Entry:
    """Return the newest entry of a kind."""
    return [entry for entry in house.ledger.entries() if entry.kind is kind][-1]


def test_sown_by_form_in_two_steps(house: Lodge, client: TestClient) -> None:
    """Looked at, then saved once, however often it is sent; the next page leads to labels and batch."""
    looked = client.get("/sow?look=1&crop=Radish&trays=8&spot=cellar/1/2&lot=R-77&treated=no")
    fields = hidden(looked.text, "/sow")
    count = len(house.ledger.entries())

    first, second = client.post("/sow", data=fields), client.post("/sow", data=fields)

    entry = newest(house, EntryKind.SOWN)
    assert first.headers["location"] == "/sow?noted=6"
    assert second.status_code == 303
    assert len(house.ledger.entries()) == count + 1
    assert (entry.batch, entry.trays, entry.spot, entry.by) == ("6", 8, "cellar/1/2", "ines")
    assert entry.data["lot"] == "R-77"
    assert entry.data["treated"] is False
    told = client.get(first.headers["location"]).text
    assert "Noted: batch 6, 8 trays of radish sown with 35 g each" in told
    assert "traywarden stack" not in told
    assert 'href="/labels?batch=6"' in told
    assert house.woken == 1


def test_what_is_wrong_when_it_is_saved_is_said_with_all_that_was_typed(house: Lodge, client: TestClient) -> None:
    """A lot of the entry is gone, say: nothing is written and the form is as it was."""
    fields = hidden(client.get("/sow?look=1&crop=Radish&trays=8").text, "/sow")

    answer = client.post("/sow", data={**fields, "grams": "<b>much</b>", "supplier": "the seed shed"})

    assert answer.status_code == 422
    assert "&lt;b&gt;much&lt;/b&gt;" in answer.text
    assert "<b>much" not in answer.text
    assert 'value="the seed shed"' in answer.text
    assert newest(house, EntryKind.SOWN).batch != "6"


def test_a_past_day_is_kept_and_one_ahead_is_refused(house: Lodge, client: TestClient) -> None:
    """Yesterday's time goes into the entry; tomorrow cannot have been sown."""
    fields = hidden(client.get("/sow?look=1&crop=Radish&trays=8&day=2026-03-03&time=06:30").text, "/sow")

    assert client.post("/sow", data=fields).status_code == 303
    assert newest(house, EntryKind.SOWN).at.isoformat() == "2026-03-03T06:30:00+00:00"
    assert "Not so:" in client.get("/sow?look=1&crop=Radish&trays=8&day=2026-03-09").text


def test_alarms_are_seen_put_aside_and_counted_again(house: Lodge, client: TestClient) -> None:
    """One by one, in a grower's words; the record keeps who said what."""
    page = client.get("/alarms").text
    key = hidden(page, "/alarms/aside")["line"]
    client.post("/alarms/seen", data={**hidden(page, "/alarms/seen", line=key), "says": "seen"})
    client.post(
        "/alarms/aside",
        data={**hidden(client.get("/alarms").text, "/alarms/aside", line=key), "span": "4h", "why": "cleaning <day>"},
    )
    aside = client.get("/alarms").text
    client.post("/alarms/back", data={**hidden(aside, "/alarms/back"), "how": "shelf"})
    again = client.get("/alarms").text

    kinds = [entry.kind for entry in house.ledger.entries()][-3:]
    assert kinds == [EntryKind.HEARD, EntryKind.SHELVED, EntryKind.UNSHELVED]
    assert "put aside until Wed 4 Mar 13:00 (cleaning &lt;day&gt;)" in aside
    assert "Noted: too cold, cellar, is put aside until Wed 4 Mar 13:00." in aside
    assert "counts again" in again
    assert "wrong now, ines is on it" in again


def test_all_that_wait_are_seen_at_once(house: Lodge, client: TestClient) -> None:
    """Two entries, written as one answer; sent again nothing waits."""
    page = client.get("/alarms").text
    data = {**hidden(page, "/alarms/seen", line="*"), "says": "seen"}

    client.post("/alarms/seen", data=data)
    client.post("/alarms/seen", data={**data, "nonce": "another"})

    heard = [entry for entry in house.ledger.entries() if entry.kind is EntryKind.HEARD]
    assert len(heard) == 2
    assert len({entry.data["together"] for entry in heard}) == 1
    assert "Nothing waits for a word any more." in client.get("/alarms").text


def test_a_reason_is_needed_to_put_something_aside(house: Lodge, client: TestClient) -> None:
    """It is said, and nothing is written."""
    fields = hidden(client.get("/alarms").text, "/alarms/aside")

    client.post("/alarms/aside", data={**fields, "span": "4h", "why": "  "})

    assert "For how long, and why?" in client.get("/alarms").text
    assert not [entry for entry in house.ledger.entries() if entry.kind is EntryKind.SHELVED]


def test_a_room_is_accepted_as_it_is_and_told_again(house: Lodge, client: TestClient) -> None:
    """Until a date; what is no such room has no such form, and is refused."""
    stays = alarm(house.clock(), rule="room stays too cold", priority=Priority.MEDIUM, batch=None)
    house.alarms = {**(house.alarms or {}), stays.key: stays}
    fields = hidden(client.get("/alarms").text, "/alarms/accept")
    other = hidden(client.get("/alarms").text, "/alarms/aside")["line"]
    client.post("/alarms/accept", data={**fields, "line": other, "nonce": "x", "span": "60d", "why": ""})
    refused = client.get("/alarms").text
    client.post("/alarms/accept", data={**fields, "span": "60d", "why": "the cellar is cold in winter"})
    accepted = client.get("/alarms").text
    client.post("/alarms/back", data={**hidden(accepted, "/alarms/back"), "how": "accepted"})

    assert "can be put aside, not accepted" in refused
    assert "accepted as it is until Sun 3 May 10:00 (the cellar is cold in winter)" in accepted
    assert [entry.kind for entry in house.ledger.entries()][-2:] == [EntryKind.ACCEPTED, EntryKind.ACCEPTED]
    assert "Room stays too cold" in client.get("/alarms").text.split("Put aside, or accepted")[0]


def test_a_sensor_rests_and_comes_back(house: Lodge, client: TestClient) -> None:
    """With a reason, for a time."""
    fields = hidden(client.get("/alarms").text, "/alarms/rest")
    client.post("/alarms/rest", data={**fields, "sensor": "air-1", "span": "1d", "why": "battery ordered"})
    resting = client.get("/alarms").text
    client.post("/alarms/back", data={**hidden(resting, "/alarms/back", sensor="air-1"), "how": "rest"})

    assert "<strong>air-1</strong> until Thu 5 Mar 09:00: battery ordered" in resting
    assert newest(house, EntryKind.IN_SERVICE).data == {
        "sensor": "air-1",
        "tap": newest(house, EntryKind.IN_SERVICE).data["tap"],
    }


def test_a_promise_is_made_changed_for_a_day_and_ended(house: Lodge, client: TestClient) -> None:
    """Each by a form; what it means is said at once."""

    def post(what: str, promise: str = "", **typed: str) -> None:
        wanted = {"what": what, **({"promise": promise} if promise else {})}
        fields = hidden(client.get("/ahead").text, "/ahead/promise", **wanted)
        assert client.post("/ahead/promise", data={**fields, **typed}).status_code == 303

    post("new", crop="Radish", trays="5", day="2026-03-20", whom="the  bakery", every="7 days", living="yes")
    made = newest(house, EntryKind.PROMISED)
    post("change", "P4", trays="7", day="2026-03-20", whom="the bakery", every="7 days", living="yes")
    changed = newest(house, EntryKind.PROMISED)
    post("only", "P4", only="2026-03-27", trays="0")
    post("end", "P4", since="2026-04-10")
    page = client.get("/ahead").text

    assert made.data["promise"] == "P4"
    assert (made.trays, made.data["whom"], made.data["every_days"], made.data["living"]) == (5, "the bakery", 7, True)
    assert (changed.trays, changed.data["for"]) == (7, "2026-03-20")
    assert "7 trays of living radish to the bakery every week on Fri" in page
    assert "Over from Fri 10 Apr on." in page
    assert "Fri 27 Mar:" not in page.split('id="P4"')[1].split("</li>\n<li")[0].split("<details")[0]


def test_a_standing_order_of_old_is_changed_from_its_next_day_on(house: Lodge, client: TestClient) -> None:
    """Its first day is long past; the form shows the next, and only what was typed anew is changed."""
    terms = {"promise": "P9", "crop": "radish", "for": "2026-01-05", "whom": "the bakery", "living": False}
    enter(house, EntryKind.PROMISED, 2, trays=3, data={**terms, "every_days": 7})
    page = client.get("/ahead").text.split('id="P9"')[1].split("</form>")[0]
    fields = hidden("<form" + page.split("<form", 1)[1] + "</form>", "/ahead/promise", what="change")
    typed = {"trays": "5", "day": "2026-03-09", "whom": "the bakery", "every": "7 days"}

    assert 'type="date" min="2026-03-04" value="2026-03-09"' in page
    assert client.post("/ahead/promise", data={**fields, **typed}).status_code == 303
    changed = newest(house, EntryKind.PROMISED)
    assert (changed.trays, changed.data["for"], changed.data["from"]) == (5, "2026-03-09", "2026-03-04")


def test_a_promise_that_cannot_be_keeps_what_was_typed(house: Lodge, client: TestClient) -> None:
    """The form stands open with it, and says why."""
    fields = hidden(client.get("/ahead").text, "/ahead/promise", what="new")

    answer = client.post(
        "/ahead/promise", data={**fields, "crop": "tulips", "trays": "5", "day": "2026-03-20", "whom": 'a"><i>b'}
    )

    assert answer.status_code == 422
    assert "No crop &#39;tulips&#39;" in answer.text
    assert 'value="a&#34;&gt;&lt;i&gt;b"' in answer.text
    assert '<details data-keep="new" open>' in answer.text


def test_holds_are_set_and_released_here(house: Lodge, client: TestClient) -> None:
    """By lot, with a reason; both needed; first on the page."""
    fields = hidden(client.get("/ahead").text, "/ahead/hold", what="hold")
    both = client.post("/ahead/hold", data={**fields, "lot": "R-77", "batch": "1", "why": "x"})
    none = client.post("/ahead/hold", data={**fields, "lot": "", "batch": "", "why": "x"})
    client.post("/ahead/hold", data={**fields, "lot": "r-77", "batch": "", "why": "recalled"})
    held = client.get("/ahead").text
    release = hidden(held, "/ahead/hold", what="release", lot="R-77")
    client.post("/ahead/hold", data={**release, "why": "not concerned"})

    assert "name one of them" in both.text
    assert "Name a seed lot or a batch" in none.text
    assert 0 < held.index("Lot R-77, since Wed 4 Mar 09:00: recalled (ines)") < held.index("<h1>Ahead")
    assert newest(house, EntryKind.RELEASED).data["why"] == "not concerned"


def test_rounds_are_handed_over_and_taken_back(house: Lodge, client: TestClient) -> None:
    """To the only other person, from a day to a day; and who is back says so."""
    fields = hidden(client.get("/ahead").text, "/ahead/cover", what="cover")
    typed = {"person": "tomek", "first": "2026-03-10", "last": "2026-03-12", "standin": "", "note": "blade <left>"}
    assert client.post("/ahead/cover", data={**fields, **typed}).status_code == 303
    over = client.get("/ahead").text
    back = hidden(over, "/ahead/cover", what="back", person="tomek")
    assert client.post("/ahead/cover", data=back).status_code == 303

    assert "ines walks tomek&#39;s rounds, Tue 10 Mar to Thu 12 Mar: blade &lt;left&gt;" in over
    assert "ines walks tomek" not in client.get("/ahead").text.split("Who stands in")[1]
    assert "from which day" in client.post("/ahead/cover", data={**fields, "nonce": "x"}).text.casefold()


def test_a_read_only_token_sees_and_enters_nothing(house: Lodge) -> None:
    """No form stands on its pages, and what it posts is refused."""
    house.doors.set_password("ines", "four words of a kind")
    token = house.doors.new_token("screen", "read-only", None, now=house.clock())
    client = house.client(headers={"Authorization": f"Bearer {token}"})

    for path in ("/sow?look=1&crop=radish&trays=2", "/alarms", "/ahead", "/calendar"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert 'method="post"' not in answer.text.split("<footer")[0].replace("/labels/wall", "")
    assert client.post("/alarms/seen", data={"line": "*"}).status_code == 403
