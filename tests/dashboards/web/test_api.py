"""What programs may ask: every question answered as its document says, for a house in which something of all stands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import schemathesis
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import convert
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.routing import Route
from starlette.testclient import TestClient

from dashboards.openapi import BASE, QUESTIONS, openapi_document
from dashboards.shapes import Status
from monitor.stores.states import COLLECTOR_STATE, WATCHER_STATE, ServiceStates
from tests.support.busy import busy
from tests.support.commands import call
from tests.support.farms import TEXT
from tests.support.houses import Lodge, lodge

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
]
"""Not among them: that any text is a day (a past one is refused), and that a POST gets 405 (the gate refuses first)."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lodge]:
    """Return a house in which something of everything stands."""
    made = busy(tmp_path_factory.mktemp("busy"), more='[pages]\nnames = ["testserver"]\n')
    yield made
    made.close()


@pytest.fixture(scope="module")
def client(house: Lodge) -> TestClient:
    """Return a program that asks from this machine."""
    return house.client()


@pytest.fixture(scope="module")
def api_schema(house: Lodge) -> Any:
    """Return the document as it is served, on the app itself."""
    return schemathesis.openapi.from_asgi("/openapi.json", house.app())


DESCRIBED = sorted(openapi_document("0.0.0")["paths"])
WITH_WISHES = [BASE + question.path for question in QUESTIONS if question.wishes]


@pytest.mark.parametrize("path", DESCRIBED)
@settings(max_examples=12, derandomize=True)
@given(data=st.data())
def test_whatever_is_asked_the_answer_is_as_the_document_says(api_schema: Any, path: str, data: st.DataObject) -> None:
    """Made-up questions that the document allows: never a failure, always a documented status, type and shape."""
    case = data.draw(api_schema[path]["GET"].as_strategy(generation_mode=GenerationMode.POSITIVE))

    case.call_and_validate(checks=CHECKS)


@pytest.mark.parametrize("path", WITH_WISHES)
@settings(max_examples=12, derandomize=True)
@given(data=st.data())
def test_what_the_document_does_not_allow_is_refused(api_schema: Any, path: str, data: st.DataObject) -> None:
    """Made-up questions with something wrong in them: refused in words, as the document says."""
    case = data.draw(api_schema[path]["GET"].as_strategy(generation_mode=GenerationMode.NEGATIVE))

    case.call_and_validate(checks=CHECKS)


def paths(document: dict[str, Any]) -> set[str]:
    """Return the paths that a document describes."""
    return set(document["paths"])


def test_every_route_for_programs_stands_in_the_document(house: Lodge, client: TestClient) -> None:
    """And nothing stands there that is not served; what is left out is a page, a file or a form for people."""
    served = {route.path for route in house.app().routes if isinstance(route, Route)}
    told = paths(client.get("/openapi.json").json())
    for_programs = {path for path in served if path.startswith("/api/") or path.endswith((".json", ".ics", "/metrics"))}

    assert told == for_programs
    assert {BASE + question.path for question in QUESTIONS} < told


def test_every_answer_keeps_its_schema(client: TestClient) -> None:
    """Each question's answer, checked by another library against the schema that its commands' JSON has too."""
    document = client.get("/openapi.json").json()
    asked = {
        "batch": "/batches/1",
        "profile": "/profiles/basil",
        "records": "/records?first=2026-02-01",
        "sow_by": "/sow-by?crop=radish&day=2026-03-20&trays=4&living=true",
    }
    faults, full = [], []

    for question in QUESTIONS:
        answer = client.get(BASE + asked.get(question.name, question.path))
        assert answer.status_code == 200, f"{question.name}: {answer.text}"
        name = document["paths"][BASE + question.path]["get"]["responses"]["200"]["content"]["application/json"]
        whole = {**document["components"]["schemas"][name["schema"]["$ref"].rpartition("/")[2]]}
        validator = jsonschema_rs.Draft202012Validator({**whole, "components": document["components"]})
        faults += [f"{question.name}: {error.message}" for error in validator.iter_errors(answer.json())]
        full += [question.name for value in answer.json().values() if isinstance(value, list) and value]

    assert faults == []
    assert {"rounds", "batches", "batch", "alarms", "sensors", "ready", "promises", "plan", "holds", "lots"} <= set(
        full
    )


def test_all_may_be_asked_for(client: TestClient) -> None:
    """Batches that are over, lots that are used up."""
    assert client.get(f"{BASE}/lots?all=true").status_code == 200
    assert len(client.get(f"{BASE}/batches?all=true").json()["batches"]) == 5


@pytest.mark.parametrize(
    ("asked", "status", "words"),
    [
        pytest.param("/batches/99", 404, "there is no batch '99'", id="an unknown batch"),
        pytest.param("/profiles/tulip", 404, "no crop 'tulip'", id="an unknown crop"),
        pytest.param("/plan?weeks=13", 422, "from 1 to 12", id="a number out of bounds"),
        pytest.param("/plan?weeks=٣", 422, "from 1 to 12", id="digits of another script"),
        pytest.param("/batches?everything=true", 422, "it knows: all", id="a wish that nobody knows"),
        pytest.param("/batches?all=yes", 422, "true or false", id="a word for true"),
        pytest.param("/batches?all=true&all=false", 422, "say it once", id="said twice"),
        pytest.param("/sow-by?crop=radish&trays=2", 422, "day is missing", id="something is missing"),
        pytest.param("/records?first=2026-03-02&last=2026-03-01", 422, "lies before", id="days the wrong way round"),
        pytest.param("/light?place=attic", 404, "attic", id="an unknown place"),
        pytest.param("/ready?day=2026-01-01", 422, "is past", id="a day that is past"),
        pytest.param("/rounds?at=noonish", 422, "noonish", id="a time that cannot be read"),
        pytest.param("/nothing", 404, "no such page", id="an unknown question"),
    ],
)
def test_what_cannot_be_answered_is_said_as_json(client: TestClient, asked: str, status: int, words: str) -> None:
    """What is wrong, and what may be said instead."""
    answer = client.get(BASE + asked)

    assert answer.status_code == status
    assert words in answer.json()["error"]


def test_the_commands_say_the_same(tmp_path: Path) -> None:
    """One farm, asked by command and by address: the same facts under the same schema."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
    call(path, "sow", "radish", "--trays", "8", "--spot", "1/1", "--lot", "R-77")
    call(path, "promise", "6", "radish", "--for", "2026-03-09", "--whom", "the corner table")
    house = lodge(tmp_path)
    asked = {
        ("rounds",): "/rounds",
        ("batches",): "/batches",
        ("batch", "1"): "/batches/1",
        ("promises",): "/promises",
        ("ready",): "/ready",
        ("plan",): "/plan",
        ("lots",): "/lots",
        ("holds",): "/holds",
        ("dry",): "/dry",
        ("covers",): "/covers",
        ("seen",): "/seen",
        ("records", "2026-03-01"): "/records?first=2026-03-01",
        ("sow-by", "pea", "2026-03-20", "--trays", "3"): "/sow-by?crop=pea&day=2026-03-20&trays=3",
        ("profiles", "show", "pea"): "/profiles/pea",
    }

    differ = [
        words
        for words, address in asked.items()
        if json.loads(call(path, *words, "--json", now=house.clock()).out) != house.client().get(BASE + address).json()
    ]

    assert differ == []
    house.close()


def test_a_farm_with_passwords_asks_for_a_token(tmp_path: Path) -> None:
    """A read-only token sees all and changes nothing; none, or an ended one, sees nothing."""
    house = lodge(tmp_path)
    house.doors.set_password("ines", "four words of a kind")
    token = house.doors.new_token("screen", "read-only", None, now=house.clock())
    client = house.client()
    shown = {"Authorization": f"Bearer {token}"}

    assert client.get(f"{BASE}/batches").status_code == 401
    assert client.get("/metrics").status_code == 401
    assert client.get("/openapi.json").status_code == 200
    assert client.get(f"{BASE}/batches", headers=shown).json()["schema"] == "traywarden.batches/1"
    assert client.get("/metrics", headers=shown).status_code == 200
    assert client.post("/calendar", headers=shown).status_code == 403
    house.doors.end_token("screen")
    assert client.get(f"{BASE}/batches", headers=shown).status_code == 401
    house.close()


def families_of(text: str) -> dict[str, Any]:
    """Return metrics as the other library reads them."""
    return {family.name: family for family in text_string_to_metric_families(text)}  # type: ignore[no-untyped-call]


def test_metrics_are_read_back_by_another_library(client: TestClient) -> None:
    """Counters, ages, alarms by priority and state, the outbox and the disk, with awkward letters in a label."""
    answer = client.get("/metrics")
    found = families_of(answer.text)
    values = {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in found.values()
        for sample in family.samples
    }

    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert answer.text.endswith("# EOF\n")
    assert values[("traywarden_up", ())] == 1
    assert values[("traywarden_readings_total", ())] == 240
    assert values[("traywarden_dropped_total", (("why", 'clock "wrong"\\'),))] == 2
    assert values[("traywarden_disk_free_bytes", ())] == 12e9
    assert values[("traywarden_beat_age_seconds", ())] == 20
    ages = {sample.labels["sensor"]: sample.value for sample in found["traywarden_reading_age_seconds"].samples}
    assert ages == {"air-1": 60, "damp-1": 120, "lux-1": 180}
    alarms = {
        (sample.labels["priority"], sample.labels["state"]): sample.value
        for sample in found["traywarden_alarms"].samples
        if sample.value
    }
    assert alarms == {("urgent", "unacknowledged"): 1, ("medium", "returned unacknowledged"): 1}
    assert values[("traywarden_outbox_waiting", ())] == 0
    assert found["traywarden_disk_free_bytes"].unit == "bytes"


def test_metrics_of_a_monitor_that_never_ran(tmp_path: Path) -> None:
    """It is not up, and nothing is made up about it."""
    house = lodge(tmp_path)

    found = families_of(house.client().get("/metrics").text)

    assert found["traywarden_up"].samples[0].value == 0
    assert "traywarden_readings" not in found
    house.close()


def test_several_processes_are_told_to_programs(tmp_path: Path) -> None:
    """The status fits its types, and the metrics tell collectors and watchers apart by name."""
    house = lodge(tmp_path)
    states, now = ServiceStates(house.ledger.engine), house.clock()
    late = (now - timedelta(minutes=5)).isoformat()
    began = {"host": "shed", "started_at": late, "beat_at": now.isoformat(), "broker_connected": True}
    feeds = [{"name": "bus", "trouble": "no answer"}]
    states.put(COLLECTOR_STATE + "north", began | {"readings": 1234, "waiting": 7, "feeds": feeds}, now=now)
    states.put(COLLECTOR_STATE + "south", began | {"beat_at": late, "refused": 2}, now=now)
    states.put(WATCHER_STATE + "up", {"host": "shed", "beat_at": now.isoformat()}, now=now)
    client = house.client()

    told = convert(client.get(f"{BASE}/status").json(), Status)
    values = {
        (name, labels.get("name"), value)
        for family in families_of(client.get("/metrics").text).values()
        for name, labels, value, *_ in family.samples
    }

    assert [(each["name"], each["running"], each["waiting"]) for each in told["collectors"]] == [
        ("north", True, 7),
        ("south", False, 0),
    ]
    assert told["collectors"][0]["feeds"] == feeds
    assert values >= {
        ("traywarden_up", None, 1),
        ("traywarden_collector_up", "north", 1),
        ("traywarden_collector_up", "south", 0),
        ("traywarden_collector_beat_age_seconds", "south", 300),
        ("traywarden_collector_readings_total", "north", 1234),
        ("traywarden_collector_waiting", "north", 7),
        ("traywarden_collector_refused", "south", 2),
        ("traywarden_watcher_up", "up", 1),
        ("traywarden_rooms_unwatched", None, 2),
    }
    house.close()


def test_the_document_is_made_without_a_house() -> None:
    """It names its version, and every shape says what it is."""
    document = openapi_document("0.0.0")
    silent = [name for name, shape in document["components"]["schemas"].items() if not shape.get("description")]

    assert document["info"]["version"] == "0.0.0"
    assert document["openapi"] == "3.1.0"
    assert set(silent) <= {"DaysFrom", "SowBy", "PromiseShape", "SownShape", "UnmetShape", "Plan", "CoverDays"}
