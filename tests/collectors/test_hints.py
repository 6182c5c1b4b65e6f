"""What an unclaimed topic could be: the lines that are offered can be pasted, and read the payload that was heard."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collectors.decode import decode
from collectors.hints import printable, quantity_of_name, unclaimed, unreadable
from collectors.routes import Routes
from monitor.farm import Farm
from monitor.farmfile import parse_farm
from monitor.readings import Quantity
from tests.support.farms import TEXT, farm, sensor_text


def pasted(folder: Path, topic: str, payload: bytes) -> Farm:
    """Return the farm with the lines for one topic at the end of its file."""
    plain = farm(folder)
    (hint,) = unclaimed({topic: payload}, frozenset(), Routes([]), plain)
    return parse_farm(TEXT.format(zone="UTC", more=hint.lines), file="farm.toml", folder=folder)


def values(folder: Path, topic: str, payload: bytes) -> dict[str, tuple[str, float]]:
    """Return what the offered sensors read from the payload, by sensor."""
    sensors = list(pasted(folder, topic, payload).sensors.values())
    found = decode(payload, sensors, topic=topic, arrived_s=1.7e9) if sensors else []
    return {each.sensor.id: (each.sensor.quantity.value, round(each.value, 6)) for each in found}


@pytest.mark.parametrize(
    ("topic", "payload", "expected"),
    [
        pytest.param("cellar/temperature", b"21.5", {"temperature": ("temperature", 21.5)}, id="a plain number"),
        pytest.param("air/tempF/state", b"68", {"state": ("temperature", 20.0)}, id="a plain number in degF"),
        pytest.param(
            "n1",
            b'[{"bn":"urn:dev:a:","n":"t","u":"Cel","v":20},{"n":"h","u":"%RH","v":60},{"n":"w","u":"kg","v":1.2}]',
            {
                "urn-dev-a-t": ("temperature", 20.0),
                "urn-dev-a-h": ("humidity", 60.0),
                "urn-dev-a-w": ("weight", 1200.0),
            },
            id="a pack of three",
        ),
        pytest.param(
            "n2",
            b'[{"n":"a:t","u":"Cel","v":20},{"n":"b:t","u":"Cel","v":21}]',
            {"a-t": ("temperature", 20.0), "b-t": ("temperature", 21.0)},
            id="two records that end alike",
        ),
        pytest.param(
            "n3",
            b'[{"n":"humidity","u":"/","v":0.6},{"n":"battery","u":"/","v":0.9}]',
            {"humidity": ("humidity", 60.0)},
            id="a share that is a humidity, and one that is not",
        ),
        pytest.param(
            "n4",
            b'{"air": {"temp": 21.5, "rh": 60}, "ts": 1700000000, "rssi": -60, "ok": true}',
            {"n4-temp": ("temperature", 21.5), "n4-rh": ("humidity", 60.0)},
            id="an object in an object",
        ),
        pytest.param("n5", b'{"a/b~temp": 21.5}', {"n5-a-b-temp": ("temperature", 21.5)}, id="a key to be escaped"),
        pytest.param(
            "n6", b'{"illuminance_klx": 1.5}', {"n6-illuminance_klx": ("light", 1500.0)}, id="a unit in the key"
        ),
        pytest.param("n7", b"true", {}, id="a truth value"),
        pytest.param("n8", b"null", {}, id="nothing"),
        pytest.param("n9", b"[1, 2]", {}, id="a list that is no pack"),
        pytest.param("n10", b"\xff\xfe", {}, id="bytes that are no text"),
        pytest.param("n11", b"[" * 100_000, {}, id="brackets without end"),
        pytest.param("n12", b'[{"n":"battery","u":"V","v":3}]', {}, id="a unit that is not kept"),
        pytest.param("compartment", b"3", {}, id="a name that only contains a word"),
    ],
)
def test_the_lines_read_the_payload(
    tmp_path: Path, topic: str, payload: bytes, expected: dict[str, tuple[str, float]]
) -> None:
    """Pasted as they are, the lines make sensors that read the values of the payload in stored units."""
    assert values(tmp_path, topic, payload) == expected


def test_a_time_beside_the_value_is_pointed_at(tmp_path: Path) -> None:
    """The sensor's time is the payload's."""
    sensors = pasted(tmp_path, "n", b'{"temp": 20, "at": "2026-03-02T08:00:00Z"}').sensors

    assert sensors["n-temp"].time_pointer == "/at"


def test_what_nothing_tells_is_offered_as_a_comment(tmp_path: Path) -> None:
    """It can be taken in by hand; pasted as it is, it does no harm."""
    plain = farm(tmp_path)
    (hint,) = unclaimed({"n": b'{"x": 4}'}, frozenset({"n"}), Routes([]), plain)

    assert all(line.startswith("#") for line in hint.lines.splitlines())
    assert '# pointer = "/x"' in hint.lines
    assert hint.retained


def test_ids_are_never_taken_twice(tmp_path: Path) -> None:
    """A sensor of the farm keeps its id, and two topics that end alike get different ones."""
    plain = farm(tmp_path, more=sensor_text("temperature", "temperature", "cellar"))
    hints = unclaimed(
        {"a/temperature": b"20", "b/temperature": b"21"}, frozenset(), Routes(plain.sensors.values()), plain
    )

    assert [hint.lines.splitlines()[1] for hint in hints] == ['id = "temperature-2"', 'id = "temperature-3"']


def test_what_we_or_the_broker_say_ourselves_is_no_news(tmp_path: Path) -> None:
    """Heartbeat, nudges, the broker's own topics and claimed ones are left out."""
    plain = farm(
        tmp_path,
        more='[[channel]]\nid = "console"\nkind = "console"\n[[channel]]\nid = "bus"\nkind = "mqtt"\n'
        + sensor_text("air", "temperature", "cellar"),
    )
    ours = (
        "traywarden/monitor",
        "traywarden/monitor/north",
        "traywarden/nudges",
    )  # collectors have their own heartbeat
    heard = {topic: b"1" for topic in (*ours, "$SYS/uptime", "t/air", "new")}

    assert [hint.topic for hint in unclaimed(heard, frozenset(), Routes(plain.sensors.values()), plain)] == ["new"]


def test_a_claimed_payload_that_cannot_be_read_has_a_reason(tmp_path: Path) -> None:
    """A word on a thermometer's topic is told; what reads well is not."""
    routes = Routes(farm(tmp_path, more=sensor_text("air", "temperature", "cellar")).sensors.values())

    assert list(unreadable({"t/air": b"warm", "other": b"warm"}, routes, heard_s=0)) == ["t/air"]
    assert unreadable({"t/air": b"21"}, routes, heard_s=0) == {}


def test_control_characters_never_reach_the_terminal() -> None:
    """A payload cannot move the cursor or change colours."""
    assert printable(b"a\x1b[2Jb\n\x00") == "a\\x1b[2Jb\\x0a\\x00"


@pytest.mark.parametrize(
    ("name", "quantity"),
    [
        ("airTemp", Quantity.TEMPERATURE),
        ("Temperature_C", Quantity.TEMPERATURE),
        ("relHumidity", Quantity.HUMIDITY),
        ("soil_temp_humidity", Quantity.HUMIDITY),
        ("PPFD", Quantity.PPFD),
        ("tray_weight", Quantity.WEIGHT),
        ("lux", Quantity.LIGHT),
        ("particles", None),
        ("attempt", None),
        ("", None),
    ],
)
def test_a_name_tells_its_quantity(name: str, quantity: Quantity | None) -> None:
    """The last word that tells one counts; a word inside a word does not."""
    assert quantity_of_name(name) is quantity


def test_a_percent_sign_in_a_pack_comes_with_what_it_means(tmp_path: Path) -> None:
    """SenML takes it for a ratio, most devices for percent; the lines say percent, for the grower to change."""
    assert values(tmp_path, "n", b'[{"n":"rh","u":"%","v":55}]') == {"rh": ("humidity", 55.0)}


@settings(max_examples=200, deadline=None)
@given(
    topic=st.text(st.characters(exclude_characters="+#\0", exclude_categories=["Cs"]), min_size=1, max_size=20).filter(
        str.strip
    ),
    payload=st.binary(max_size=40)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=8) | st.just("temp"), inner, max_size=3)
        ),
        max_leaves=5,
    ).map(lambda document: json.dumps(document).encode()),
)
def test_whatever_is_heard_gives_lines_that_can_be_pasted(topic: str, payload: bytes) -> None:
    """No topic and no payload makes lines that farm.toml would not take."""
    plain = farm(Path())
    for hint in unclaimed({topic: payload}, frozenset(), Routes([]), plain):
        parse_farm(TEXT.format(zone="UTC", more=hint.lines), file="farm.toml", folder=Path())
        assert hint.payload.isprintable()
