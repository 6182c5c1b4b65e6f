"""``POST /ingest``: what is answered is what happened."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from collectors.httppush import MOST_BYTES, Pace, PushDoor, push_routes, token_of
from collectors.intake import Intake
from collectors.pipeline import Pipeline
from collectors.pushed import MOST_MESSAGES, messages_of
from monitor.errors import FeedError, PayloadError, StoreUnavailableError
from monitor.feeds import Device
from monitor.readings import Block, Flag
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import farm, sensor_text

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
TOKEN, OTHER = "saltcellar-node-3-0123456789", "saltcellar-node-4-0123456789"
SENML = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/senml+json"}
JSON = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/json; charset=utf-8"}
PACK = '[{"bn":"node:","bt":1772442000,"n":"temp","u":"Cel","v":21.5},{"n":"rh","u":"%RH","v":55}]'
MORE = (
    sensor_text("air", "temperature", "cellar", record="temp").replace("t/air", "push/node-3")
    + sensor_text("damp", "humidity", "cellar", record="rh").replace("t/damp", "push/node-3")
    + sensor_text("cold", "temperature", "cold", pointer="/t", time_pointer="/at").replace("t/cold", "push/node-3/cold")
)


class Door:
    """A door on a farm, and a client before it."""

    def __init__(self, folder: Path, **more: Any) -> None:
        """Build them."""
        (folder / "node-3.token").write_text(TOKEN + "\n", encoding="utf-8")
        self.store = SqliteReadingStore(folder / "readings.db")
        self.now_s = 0.0
        pipeline = Pipeline(farm(folder, more=MORE), quarantine=self.store.quarantine, latest=self.store.latest)
        self.door = PushDoor(
            [Device(id="node-3", token_file=folder / "node-3.token", per_minute=60)],
            Intake(pipeline, self.store),
            clock=lambda: NOW,
            running_s=lambda: self.now_s,
            **more,
        )
        self.client = TestClient(Starlette(routes=push_routes(self.door)))

    def post(self, body: str | bytes, headers: dict[str, str] = SENML, path: str = "/ingest") -> Any:
        """Push something."""
        return self.client.post(path, content=body, headers=headers)

    def close(self) -> None:
        """Let go of everything."""
        self.client.close()
        self.door.close()
        self.store.close()


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    """Return an open door."""
    opened = Door(tmp_path)
    yield opened
    opened.close()


def test_a_pack_is_on_disk_when_202_is_answered(door: Door) -> None:
    """A reader of its own sees the readings as soon as the answer is there."""
    answer = door.post(PACK)
    rows = door.store.latest(["air", "damp"])

    assert (answer.status_code, answer.json()) == (
        202,
        {"schema": "traywarden.ingest/1", "messages": 1, "set_aside": []},
    )
    assert {name: (row.value, row.flag) for name, row in rows.items()} == {
        "air": (21.5, Flag.PASS), "damp": (55.0, Flag.PASS)
    }  # fmt: skip


def test_the_same_pack_twice_is_stored_once(door: Door) -> None:
    """A device that never saw its answer may send it again."""
    answers = [door.post(PACK).status_code for _ in range(2)]

    assert (answers, door.store.count()) == ([202, 202], 2)


def test_a_batch_of_objects_is_read_through_pointers(door: Door) -> None:
    """Three minutes of a gateway's other node, under an address of its own."""
    batch = [{"t": 3.5 + n / 10, "at": 1772442000 + 60 * n} for n in range(3)]
    answer = door.client.post("/ingest/cold", json=batch, headers=JSON)

    assert (answer.status_code, answer.json()["messages"], door.store.count()) == (202, 3, 3)


def test_a_pack_that_is_called_plain_json_is_one_message(door: Door) -> None:
    """Its names tell."""
    answer = door.post(PACK, JSON)

    assert (answer.status_code, answer.json()["messages"], door.store.count()) == (202, 1, 2)


def test_what_cannot_be_read_is_named_and_the_rest_is_stored(door: Door) -> None:
    """The quarantine has it with its reason; the answer says which of the batch it was."""
    answer = door.client.post("/ingest/cold", json=[{"t": "warm"}, {"t": 3.5}], headers=JSON)
    told = answer.json()["set_aside"]

    assert (answer.status_code, door.store.count()) == (202, 1)
    assert [each["message"] for each in told] == [0]
    assert "no number at '/t'" in told[0]["why"]
    assert [payload for *_, payload, _ in door.store.quarantined()] == [b'{"t":"warm"}']


@pytest.mark.parametrize(
    ("body", "headers", "path", "status", "says"),
    [
        pytest.param(PACK, {"Content-Type": "application/senml+json"}, "/ingest", 401, "Bearer", id="no token"),
        pytest.param(PACK, {**SENML, "Authorization": "Bearer guess"}, "/ingest", 401, "Bearer", id="a wrong token"),
        pytest.param(PACK, {**SENML, "Authorization": f"Basic {TOKEN}"}, "/ingest", 401, "Bearer", id="no bearer"),
        pytest.param(
            PACK, {**SENML, "Content-Type": "text/csv"}, "/ingest", 415, "application/senml", id="another type"
        ),
        pytest.param(PACK, {**SENML, "Content-Encoding": "gzip"}, "/ingest", 415, "not compressed", id="compressed"),
        pytest.param("[", JSON, "/ingest", 400, "no JSON", id="no JSON"),
        pytest.param("[]", JSON, "/ingest", 400, "empty array", id="an empty batch"),
        pytest.param(b"\xff\xfe", JSON, "/ingest", 400, "no JSON", id="rubbish"),
        pytest.param("x" * (MOST_BYTES + 1), JSON, "/ingest", 413, "smaller batches", id="too many bytes"),
        pytest.param("[" + "1," * MOST_MESSAGES + "1]", JSON, "/ingest", 413, "at most", id="too many messages"),
        pytest.param(PACK, SENML, "/ingest/attic", 422, "push/node-3/attic", id="a topic that no sensor claims"),
        pytest.param('[{"n":"other","v":1}]', SENML, "/ingest", 422, "its records are: other", id="no record of ours"),
    ],
)
def test_a_refusal_says_why_and_stores_nothing(
    door: Door, body: str | bytes, headers: dict[str, str], path: str, status: int, says: str
) -> None:
    """Each with its status."""
    answer = door.post(body, headers, path)

    assert (answer.status_code, door.store.count()) == (status, 0)
    assert says in answer.json()["error"]
    assert ("www-authenticate" in answer.headers) is (status == 401)


def test_a_body_without_a_length_is_cut_off_where_it_is_too_large(door: Door) -> None:
    """A stream is not read to its end, and no length is believed."""

    def stream() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 50_000

    assert door.client.post("/ingest", content=stream(), headers=JSON).status_code == 413


def test_a_device_in_a_hurry_is_told_when_to_come_again(door: Door) -> None:
    """Ten at once, then one a second; the header is in whole seconds."""
    answers = [door.post(PACK) for _ in range(11)]
    door.now_s = 1.1
    after = door.post(PACK)

    assert [each.status_code for each in answers] == [202] * 10 + [429]
    assert answers[-1].headers["retry-after"] == "1"
    assert after.status_code == 202


def test_a_store_that_is_away_is_503_and_nothing_is_promised(door: Door) -> None:
    """The device keeps it and comes again."""

    def fails(block: Block) -> None:
        raise StoreUnavailableError("the test's disk is full")

    append, door.store.append = door.store.append, fails  # type: ignore[method-assign] # the test's disk
    away = door.post(PACK)
    door.store.append = append  # type: ignore[method-assign] # the test's disk
    back = door.post(PACK)

    assert (away.status_code, away.headers["retry-after"], back.status_code) == (503, "30", 202)
    assert door.store.count() == 2


def test_a_queue_before_the_disk_is_bounded(tmp_path: Path) -> None:
    """With one request at the disk and room for one, the next is told to come again."""
    door = Door(tmp_path, waiting=1)
    at_disk, go_on = threading.Event(), threading.Event()
    append = door.store.append

    def slow(block: Block) -> None:
        at_disk.set()
        assert go_on.wait(20)
        append(block)

    door.store.append = slow  # type: ignore[method-assign] # the test's disk
    with ThreadPoolExecutor(1) as pool, door.client:
        first = pool.submit(door.post, PACK)
        assert at_disk.wait(20)
        second = door.post(PACK)
        go_on.set()
        answers = (first.result(20).status_code, second.status_code, second.headers["retry-after"])
    door.close()

    assert answers == (202, 429, "1")


@pytest.mark.parametrize("said", [None, "", "short"])
def test_a_device_without_a_good_token_is_left_out_and_named(tmp_path: Path, said: str | None) -> None:
    """Its file is missing, empty, or could be guessed; what stands in it is not shown."""
    path = tmp_path / "t"
    if said is not None:
        path.write_text(said, encoding="utf-8")

    with pytest.raises(FeedError, match="device node-9: its token in"):
        token_of(Device(id="node-9", token_file=path))


def test_two_devices_never_share_a_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second is left out; from the environment a token is read as well."""
    monkeypatch.setenv("NODE_TOKEN", OTHER)
    devices = [Device(id="a", token_env="NODE_TOKEN"), Device(id="b", token_env="NODE_TOKEN")]
    store = SqliteReadingStore(tmp_path / "readings.db")
    pipeline = Pipeline(farm(tmp_path, more=MORE), quarantine=store.quarantine, latest=store.latest)
    door = PushDoor(devices, Intake(pipeline, store), clock=lambda: NOW)
    door.close()
    store.close()

    assert door.trouble == "device b: device a has the same token"


def test_a_pace_never_lets_more_through_than_it_says() -> None:
    """60 a minute over an hour of asking twice a second: the burst and one a second."""
    pace = Pace(60)

    assert sum(pace.wait_s(n / 2) == 0 for n in range(7200)) == 10 + 3599


def test_a_number_is_a_message_and_rubbish_is_none() -> None:
    """A plain number goes the way of MQTT's."""
    (one,) = messages_of(b" 21.5 ", "application/json", topic="push/x", now=NOW)

    assert (one.topic, one.payload) == ("push/x", b" 21.5 ")
    with pytest.raises(PayloadError, match="no JSON"):
        messages_of(b"warm", "application/json", topic="push/x", now=NOW)
