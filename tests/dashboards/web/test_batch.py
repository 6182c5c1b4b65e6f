"""The page of a batch: what it shows, and that what is entered there is what the commands would have entered."""

from __future__ import annotations

import io
import re
import shlex
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from starlette.testclient import TestClient

from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.readings import Block, Flag, Reading
from monitor.scalesetup import setups_of
from tests.dashboards.web.test_gate import csrf_of
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text
from tests.support.houses import Lodge, lodge

SENSORS = sensor_text("air", "temperature", "cellar/1") + sensor_text("damp", "humidity", "cellar/1")


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Lodge]:
    """Return a farm: radish in a pile on day 2, sunflower in its harvest window."""
    house = lodge(tmp_path, more=SENSORS)
    house.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    house.sow("2", "sunflower", 4, "cellar/1/2", days_ago=10)
    yield house
    house.close()


def post(client: TestClient, path: str, batch: str, *, files: dict[str, Any] | None = None, **fields: str) -> Any:
    """Send a form of a batch's page, as a browser without script does."""
    token = csrf_of(client.get(f"/batch/{batch}").text)
    return client.post(path, data={"csrf": token, "batch": batch, **{"nonce": "n1", **fields}}, files=files)


def enter(client: TestClient, batch: str, deed: str, **fields: str) -> Any:
    """Enter something about a batch."""
    return post(client, "/batch/enter", batch, files=None, deed=deed, **fields)


def last(home: Lodge) -> Entry:
    """Return the newest entry."""
    return home.ledger.entries()[-1]


def bare(entry: Entry) -> tuple[object, ...]:
    """Return what an entry says, without what marks the tap."""
    data = {key: value for key, value in entry.data.items() if key not in ("tap", "together")}
    return entry.kind, entry.at, entry.by, entry.batch, entry.trays, entry.spot, entry.stack, data


IN_PART = {"trays": "2", "to": "cellar/2/1"}
OUT = {"whom": "the corner table", "as": "living", "trays": "1"}
DEEDS = [
    pytest.param("uncover", {}, "uncover 1", id="uncovered"),
    pytest.param("uncover", IN_PART, "uncover 1 --trays 2 --to 2/1", id="uncovered in part, elsewhere"),
    pytest.param("look", {"text": "white hairs"}, "look 1 --text 'white hairs'", id="looked at"),
    pytest.param("lights", {}, "lights 1", id="into the light"),
    pytest.param("water", {"ml": "250"}, "water 1 --ml 250", id="watered"),
    pytest.param("water", {}, "water 1", id="watered, nobody said how much"),
    pytest.param("weigh", {"grams": "2140", "mark": "full"}, "weigh 1 2140 --mark full", id="weighed"),
    pytest.param("lift", {"feel": "light"}, "lift 1 light", id="lifted"),
    pytest.param("move", {"to": "cellar/2/2"}, "move 1 2/2", id="moved"),
    pytest.param("note", {"text": "edges dry"}, "note 1 'edges dry'", id="noted"),
    pytest.param("harvest", {"grams": "1480", "trays": "4"}, "harvest 1 --grams 1480 --trays 4", id="cut"),
    pytest.param("deliver", OUT, "deliver 1 --living --whom 'the corner table' --trays 1", id="delivered"),
    pytest.param("discard", {"why": "grey fuzz", "trays": "1"}, "discard 1 --why 'grey fuzz' --trays 1", id="binned"),
    pytest.param("stack", {"weight": "5", "put": "cellar/1/3"}, "stack 1 --weight 5 --spot 1/3", id="stacked"),
    pytest.param("stack", {"cover_only": "1"}, "stack 1 --cover-only", id="covered"),
    pytest.param("hold", {"why": "smell"}, "hold --batch 1 --reason smell", id="held"),
    pytest.param(
        "water", {"ml": "1.5 cups", "at": "yesterday 18:00"}, "water 1 --ml '1.5 cups' --at 'yesterday 18:00'",
        id="watered yesterday, in cups",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("deed", "fields", "words"), DEEDS)
def test_the_entries_are_those_of_the_commands(
    home: Lodge, tmp_path: Path, deed: str, fields: dict[str, str], words: str
) -> None:
    """The same wish on the same book, once by the page and once by the command: the same entry."""
    beside = tmp_path / "beside"
    beside.mkdir()
    (beside / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=SENSORS), encoding="utf-8")
    other = Lodge(farm=lodge(beside, more=SENSORS).farm, clock=home.clock)
    other.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    other.sow("2", "sunflower", 4, "cellar/1/2", days_ago=10)

    answer = enter(home.client(), "1", deed, **fields)
    said = call(beside / "farm.toml", *shlex.split(words), now=home.clock())

    assert (answer.status_code, answer.headers.get("location")) == (303, "/batch/1")
    assert said.refused is None
    assert bare(last(home)) == bare(last(other))
    other.close()


def test_what_was_noted_is_told_with_warnings_and_cautions(home: Lodge) -> None:
    """As the command tells it: what was noted, what comes next, what to take care of."""
    client = home.client()
    enter(client, "2", "harvest", grams="1480")

    text = client.get("/batch/2").text

    assert "cut, 1.48 kg in all" in text
    assert "Take care: Clean hands and blade" in text
    assert "Take care" not in client.get("/batch/2").text  # once


@pytest.mark.parametrize(
    ("deed", "fields", "why"),
    [
        pytest.param("water", {"ml": "much"}, "is no amount; give e.g. 250", id="no amount"),
        pytest.param("water", {"trays": "some"}, "is no number of trays", id="no number of trays"),
        pytest.param("water", {"trays": "99"}, "6 of batch 1", id="more trays than stand"),
        pytest.param("discard", {"why": " "}, "say why they were thrown away", id="no reason"),
        pytest.param("note", {"text": ""}, "a word or a photo", id="an empty note"),
        pytest.param("stack", {"weight": "heavy"}, "is no weight in kg", id="no weight"),
        pytest.param("stack", {"weight": "900"}, "cannot be; give 0 to 60 kg", id="a slip of the finger"),
        pytest.param("water", {"at": "some time"}, "some time", id="no time"),
        pytest.param("dance", {}, "not known here", id="no deed"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_typed_is_lost(
    home: Lodge, deed: str, fields: dict[str, str], why: str
) -> None:
    """The page comes again with the reason, the form open and as it was filled in; the book is as it was."""
    before = len(home.ledger.entries())

    answer = enter(home.client(), "1", deed, **fields)

    assert answer.status_code == 422
    assert why in answer.text.replace("&#39;", "'")
    assert len(home.ledger.entries()) == before
    for value in fields.values():
        assert not value.strip() or f'value="{value}"' in answer.text or f">{value}</" in answer.text


def test_a_form_sent_twice_is_entered_once(home: Lodge) -> None:
    """A slow line, a second press: one watering."""
    client = home.client()

    enter(client, "2", "water", ml="250")
    enter(client, "2", "water", ml="250")

    assert [entry.kind for entry in home.ledger.entries()].count(EntryKind.WATERED) == 1


def test_a_kept_tap_is_entered_with_its_own_time(home: Lodge) -> None:
    """A phone that lost the line for ten minutes."""
    client = home.client()
    token = csrf_of(client.get("/batch/1").text)
    fields = [["batch", "1"], ["deed", "uncover"], ["tell", "1"]]
    said = {"tap": "tap-00000009", "path": "/batch/enter", "fields": fields, "at": 0, "by": "ines"}

    answer = client.post("/taps", json={"sent_at": 600_000, "taps": [said]}, headers={"x-traywarden-form": token})

    assert answer.json()["outcomes"][0]["outcome"] == "done"
    assert last(home).at == home.clock() - timedelta(minutes=10)


def test_on_hold_is_said_first_and_cutting_is_refused(home: Lodge) -> None:
    """Nothing is cut or delivered until it is released; what was done all the same can be kept."""
    client = home.client()
    enter(client, "2", "hold", why="<i>recalled</i>")

    text = client.get("/batch/2").text
    refused = enter(client, "2", "harvest", grams="900")
    kept = post(client, "/batch/enter", "2", deed="harvest", grams="900", against_hold="1")

    main = text[text.index("<main") :]
    assert main.index("ON HOLD: do not cut, do not deliver") < main.index("Seed lot") if "Seed lot" in main else True
    assert "<i>" not in text
    assert refused.status_code == 422
    assert kept.status_code == 303
    assert last(home).data["against_hold"] is True


def test_a_soak_is_sown_from_its_page(home: Lodge) -> None:
    """The same batch goes on, with the trays that the soak was meant for."""
    at = home.clock() - timedelta(hours=8)
    data = {"crop": "pea", "trays_planned": 4, "seed_g": 1000, "lot": "P-1", "treated": False}
    home.enter(NewEntry(kind=EntryKind.SOAKED, at=at, by="ines", batch="3", data=data))
    client = home.client()

    enter(client, "3", "sow", trays="4", put="cellar/2/1", treated="no")

    assert (last(home).kind, last(home).batch, last(home).trays) == (EntryKind.SOWN, "3", 4)
    assert (last(home).spot, last(home).data["lot"]) == ("cellar/2/1", "P-1")
    assert "stacked in the dark" in client.get("/batch/3").text


def test_only_what_can_be_done_is_offered_the_likeliest_first(home: Lodge) -> None:
    """Radish under its cover: uncover comes first, and its soak is over; sunflower is to be cut."""
    home.enter(NewEntry(kind=EntryKind.STACKED, at=home.clock() - timedelta(days=2), by="ines", batch="1", stack="S1"))
    client = home.client()

    offered = {batch: re.findall(r'name="deed" value="(\w+)"', client.get(f"/batch/{batch}").text) for batch in "12"}

    assert offered["1"][0] == "uncover"
    assert offered["2"][0] == "harvest"
    assert not {"drain", "sow"} & set(offered["1"])
    assert "stack" not in offered["1"]


def test_a_photo_is_kept_and_shown(home: Lodge, tmp_path: Path) -> None:
    """Small and bare beside the ledger, served as a picture and as nothing else."""
    written = io.BytesIO()
    Image.new("RGB", (2400, 1800), "green").save(written, "JPEG")
    client = home.client()

    answer = post(
        client, "/batch/enter", "1", deed="note", text="white", files={"photo": ("a.jpg", written.getvalue())}
    )

    name = str(last(home).data["photo"])
    text = client.get("/batch/1").text
    served = client.get(f"/photo/{name}")
    assert answer.status_code == 303
    assert f'src="/photo/{name}"' in text
    assert served.headers["content-type"] == "image/jpeg"
    assert served.headers["x-content-type-options"] == "nosniff"
    assert Image.open(io.BytesIO(served.content)).size == (1600, 1200)
    assert client.get("/photo/..%2fledger.db").status_code == 404


def test_what_is_no_photo_is_refused_and_the_words_stay(home: Lodge) -> None:
    """The note is not lost with its bad photo."""
    client = home.client()

    answer = post(client, "/batch/enter", "1", deed="note", text="white fuzz", files={"photo": ("a.jpg", b"<script>")})

    assert answer.status_code == 422
    assert "no photo that can be kept" in answer.text
    assert "white fuzz" in answer.text
    assert not (home.farm.storage.folder / "photos").exists()


def test_an_entry_is_corrected_withdrawn_and_taken_back(home: Lodge) -> None:
    """Nothing is overwritten: what was wrong stays in sight, struck through, with who and why."""
    client = home.client()
    enter(client, "2", "water", ml="250")
    number = str(last(home).id)

    post(client, "/batch/correct", "2", entry=number, ml="350", why="misread", correct="1")
    corrected = last(home)
    text = client.get("/batch/2").text
    post(client, "/batch/correct", "2", entry=str(corrected.id), withdraw="1", why="wrong batch")

    assert (corrected.corrects, corrected.data["ml_per_tray"]) == (int(number), 350)
    assert "<s>watered, 250 ml each</s>" in text
    assert "by ines: misread" in text
    assert last(home).kind is EntryKind.WITHDRAWN

    enter(client, "2", "lift", feel="light")
    mine = last(home)
    assert "You entered last: lifted, light" in client.get("/batch/2").text
    post(client, "/batch/undo", "2", last=str(mine.id))
    assert (last(home).kind, last(home).corrects) == (EntryKind.WITHDRAWN, mine.id)


def test_a_batch_that_is_not_there_is_said_so(home: Lodge) -> None:
    """And leads on to the round."""
    answer = home.client().get("/batch/99")

    assert answer.status_code == 404
    assert "no batch" in answer.text


def test_its_days_are_told_in_words_and_drawn_apart(home: Lodge) -> None:
    """The page does not wait: it has words and an address; the drawing comes from there, in any theme and width."""
    at = home.clock() - timedelta(hours=30)
    rows = [
        Reading(sensor="air", measured_at=at + timedelta(minutes=10 * n), value=20 + n % 3, flag=Flag.PASS)
        for n in range(180)
    ]
    home.read(Block.from_readings(rows))
    client = home.client()

    text = client.get("/batch/2").text
    address = re.findall(r'data-picture="([^"]+)"', text)[0]
    night = client.get(f"{address}?width=narrow&theme=night")
    page = client.get(f"{address}?width=wide&theme=page")

    assert "Temperature 20.0 to 22.0 °C, mean 21.0" in text
    assert "in its band" in text
    assert "<noscript>" in text
    assert f'srcset="{address}?width=wide&amp;theme=night"' in text
    assert night.headers["content-type"].startswith("image/svg+xml")
    assert "#f3ece0" in night.text
    assert "var(--pic-ink)" in page.text
    assert "immutable" in page.headers["cache-control"]
    assert {order.width for order in home.sketcher.orders} == {340, 840}
    assert client.get("/batch/2").text.count(address) == text.count(address)  # the same content, the same address


def test_hours_of_light_stand_beside_the_profiles(tmp_path: Path) -> None:
    """Sixteen hours lit a day in the light, by a sensor that was silent for a while."""
    home = lodge(tmp_path, more=sensor_text("lux", "light", "cellar/1"))
    home.sow("2", "sunflower", 4, "cellar/1/2", days_ago=9)
    at = home.clock() - timedelta(days=3)
    rows = [
        Reading(sensor="lux", measured_at=when, value=9000.0 if 6 <= when.hour < 22 else 1.0, flag=Flag.PASS)
        for n in range(432)
        if not 100 < n < 103 and (when := at + timedelta(minutes=10 * n))
    ]
    home.enter(NewEntry(kind=EntryKind.LIGHTS_ON, at=at, by="ines", batch="2"))
    home.read(Block.from_readings(rows))

    text = home.client().get("/batch/2").text
    home.close()

    assert "; lit 16.0 h of 24 (the profile has 16)" in text


def test_what_is_entered_changes_the_picture_at_once(home: Lodge) -> None:
    """A new mark is a new content."""
    client = home.client()
    before = re.findall(r'data-picture="([^"]+)"', client.get("/batch/2").text)

    enter(client, "2", "water", ml="250")

    after = re.findall(r'data-picture="([^"]+)"', client.get("/batch/2").text)
    assert before != after
    assert client.get(f"{before[0]}?width=wide&theme=day").status_code == 200  # a page left open still loads its own


def test_everything_typed_is_escaped(home: Lodge) -> None:
    """A note, a reason, a name: words, never markup."""
    client = home.client()
    enter(client, "1", "note", text="<script>alert(1)</script>")
    enter(client, "1", "discard", why='"><img src=x onerror=alert(1)>', trays="1")

    text = client.get("/batch/1").text

    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert "&lt;script&gt;alert(1)" in text


def pour_on_a_scale(home: Lodge) -> None:
    """Have the scale under sunflower see 300 ml poured, an hour and a half ago."""
    rows = [
        Reading(
            sensor="scale",
            measured_at=home.clock() - timedelta(minutes=240 - n),
            value=(1500.0 if n < 150 else 1800.0) - n / 30,
            flag=Flag.PASS,
        )
        for n in range(240)
    ]
    home.scales.set_up(setups_of(home.ledger.entries(), home.farm.sensors))
    home.read(Block.from_readings(rows))


@pytest.mark.parametrize(("says", "kind"), [("right", EntryKind.WATERED), ("wrong", EntryKind.REFUSED)])
def test_what_a_scale_saw_is_confirmed_or_refused(tmp_path: Path, says: str, kind: EntryKind) -> None:
    """Offered with what it would enter; answered once; then it is not offered any more."""
    home = lodge(tmp_path, more=sensor_text("scale", "weight", "cellar/1/2", dry_g=1150, full_g=1850))
    home.sow("2", "sunflower", 1, "cellar/1/2", days_ago=9)
    pour_on_a_scale(home)
    client = home.client()
    text = client.get("/batch/2").text
    key = re.findall(r'name="key" value="(\w{4})"', text)[0]

    answer = post(client, "/batch/seen", "2", key=key, says=says, why="the cat")
    again = post(client, "/batch/seen", "2", key=key, says=says, nonce="n2")

    written = [entry for entry in home.ledger.entries() if entry.data.get("proposal") == key]
    assert "poured into the tray" in text
    assert (answer.status_code, again.status_code) == (303, 303)
    assert [(entry.kind, entry.batch, entry.by) for entry in written] == [(kind, "2", "ines")]
    assert written[0].data.get("why", "the cat") == "the cat"
    assert key not in client.get("/batch/2").text.partition("What was entered")[0]
    home.close()
