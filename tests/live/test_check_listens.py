"""`traywarden check` listens to a real mosquitto: what it hears, who claims it, and the lines to paste."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collectors.decode import decode
from monitor.farmfile import parse_farm
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text
from tests.support.mosquitto import Mosquitto

pytestmark = pytest.mark.live
PACK = (
    '[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"temperature","u":"Cel","v":21.5},'
    '{"n":"humidity","u":"%RH","v":61},{"n":"battery","u":"V","v":3.1}]'
)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Run a broker that has kept one message of each of four topics."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker").start()
    broker.publish("cellar/node7", [PACK], "-r")
    broker.publish("cellar/scale", ['{"weight_kg": 1.5, "at": "2026-03-02T12:00:00Z"}'], "-r")
    broker.publish("t/known", ["21.5"], "-r")
    broker.publish("t/broken", ["warm"], "-r")
    yield broker
    broker.stop()


def test_topics_that_nobody_claims_come_with_lines_that_work(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """The lines pasted into farm.toml make sensors which read the very payloads that were heard."""
    sensors = sensor_text("known", "temperature", "cellar") + sensor_text("broken", "temperature", "cellar")
    more = f"[broker]\nembedded = false\nport = {mosquitto.port}\n{sensors}{sensor_text('quiet', 'light', 'cellar')}"
    text = TEXT.format(zone="Europe/Lisbon", more=more)
    path = tmp_path / "farm.toml"
    path.write_text(text, encoding="utf-8")

    said = call(path, "check", "--listen", "1", "--json")

    told = json.loads(said.out)
    pasted = text + "\n".join(each["lines"] for each in told["unclaimed"])
    farm = parse_farm(pasted, file="farm.toml", folder=tmp_path)
    found = {
        each.sensor.quantity.value: each.value
        for topic, payload in (
            ("cellar/node7", PACK),
            ("cellar/scale", told["unclaimed"][1]["payload"]),
        )
        for each in decode(
            payload.encode(),
            [sensor for sensor in farm.sensors.values() if sensor.topic == topic],
            topic=topic,
            arrived_s=time.time(),
        )
    }
    assert said.refused is None
    assert [each["topic"] for each in told["unclaimed"]] == ["cellar/node7", "cellar/scale"]
    assert all(each["retained"] for each in told["unclaimed"])
    assert found == {"temperature": 21.5, "humidity": 61.0, "weight": 1500.0}
    assert [each["topic"] for each in told["unreadable"]] == ["t/broken"]
    assert told["silent"] == ["quiet"]


def test_a_person_is_told_the_same(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Topic, last payload, lines to paste, what cannot be read and who is silent stand in the text."""
    more = f"[broker]\nembedded = false\nport = {mosquitto.port}\n{sensor_text('broken', 'temperature', 'cellar')}"
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")

    said = call(path, "check", "--listen", "1").out

    assert "4 topics heard in 1 s" in said
    assert "heard, but no sensor claims it: cellar/node7" in said
    assert "last payload (kept by the broker; may be old): [{" in said
    assert '    record = "temperature"' in said
    assert "heard, but cannot be read: t/broken:" in said


def test_a_wrong_password_is_a_fault(tmp_path: Path) -> None:
    """What the broker answered and where to mend it is told; the password is not."""
    (tmp_path / "broker").mkdir()
    secrets = tmp_path / "broker" / "users"
    secrets.write_text("", encoding="utf-8")
    secrets.chmod(0o644)
    broker = Mosquitto(tmp_path / "broker", more=f"allow_anonymous false\npassword_file {secrets}").start()
    password = tmp_path / "password.txt"
    password.write_text("battery-staple\n", encoding="utf-8")
    password.chmod(0o600)
    more = f'[broker]\nembedded = false\nport = {broker.port}\nuser = "m"\npassword_file = "password.txt"\n'
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")

    said = call(path, "check", "--listen", "0.1")
    broker.stop()

    assert said.refused == "1 fault; mend it and check again"
    assert "refuses us" in said.out
    assert "battery-staple" not in said.out + said.err
