"""Sensors: what each last said, how it is corrected; checked and set up by steps, as the commands do it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.rules.silence import silence
from dashboards.pages.sensors import STEPS, build_sensors
from dashboards.web.readings import newest
from monitor.calibration import RAW
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.readings import Block, Flag, Reading
from tests.dashboards.web.test_gate import csrf_of
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text
from tests.support.houses import Lodge, lodge

SENSORS = (
    sensor_text("air", "temperature", "cellar/1")
    + sensor_text("damp", "humidity", "cellar/1")
    + sensor_text("lux", "light", "cellar/1")
    + sensor_text("scale", "weight", "cellar/1/1")
)
WEIGHTS = {
    "zero": "12",
    "known": "1040",
    "known_shown": "1050",
    "tare": "212",
    "dry": "912",
    "full": "1912",
    "limp": "",
}


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Lodge]:
    """Return a farm with four sensors."""
    house = lodge(tmp_path, more=SENSORS)
    yield house
    house.close()


def test_what_could_not_be_read_is_one_line_with_its_command(home: Lodge) -> None:
    """Of the last week; older ones are told by the command alone, and without any there is no such line."""
    now = home.clock()
    none = home.client().get("/sensors").text
    for days in (8, 6, 0):
        home.store.quarantine(now - timedelta(days=days), "t/air", b"?", "no number")
    some = home.client().get("/sensors").text

    assert "could not be read" not in none
    assert "2 messages of the last week could not be read." in some
    assert "<code>traywarden unread</code>" in some


def hear(home: Lodge, name: str, *values: float, flag: Flag = Flag.PASS) -> None:
    """Have a sensor say something, the last a minute ago."""
    rows = [
        Reading(sensor=name, measured_at=home.clock() - timedelta(minutes=len(values) - n), value=value, flag=flag)
        for n, value in enumerate(values)
    ]
    home.read(Block.from_readings(rows))


def post(client: TestClient, sensor: str, work: str, **fields: str) -> Any:
    """Send a form of a sensor's page."""
    token = csrf_of(client.get("/sensors/air").text)
    return client.post("/sensors/enter", data={"csrf": token, "sensor": sensor, "work": work, **fields})


def last(home: Lodge) -> Entry:
    """Return the newest entry."""
    return home.ledger.entries()[-1]


def beside(home: Lodge, folder: Path, *words: str) -> dict[str, Any]:
    """Return what the same wish writes from the command line on a book beside."""
    other = folder / "beside"
    other.mkdir()
    (other / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=SENSORS), encoding="utf-8")
    assert call(other / "farm.toml", *words, now=home.clock()).refused is None
    book = Lodge(farm=lodge(other, more=SENSORS).farm, clock=home.clock)
    entry = last(book)
    book.close()
    return dict(entry.data)


def test_each_sensor_is_listed_with_what_is_to_be_known_of_it(home: Lodge) -> None:
    """Value, age, flags, correction, service; a scale's set-up; never heard is said so."""
    hear(home, "air", 20.0, 20.5)
    hear(home, "damp", 55.0, 56.0)
    hear(home, "damp", 140.0, flag=Flag.FAIL)
    data = {"sensor": "lux", "until": None, "why": "being cleaned"}
    home.enter(NewEntry(kind=EntryKind.OUT_OF_SERVICE, at=home.clock(), by="ines", data=data))
    house = home.house()

    page = build_sensors(
        house.lookout.tick(home.clock()), home.ledger.entries(), newest(house), home.live, now=home.clock()
    )

    rows = {row.id: row for row in page.rows}
    assert (rows["air"].figure.says, rows["air"].figure.age) == ("20.5 °C", "just now")
    assert rows["air"].set_up == "never checked: counts as it shows"
    assert rows["damp"].last == "140 %, cannot be right, just now"
    assert rows["damp"].flags == "1 of 2 readings of the last day doubtful"
    assert rows["lux"].rest == "out of service: being cleaned"
    assert rows["lux"].figure.says == "not heard"
    assert (rows["scale"].set_up, rows["scale"].is_bare) == ("never set up", True)
    assert home.client().get("/sensors").status_code == 200


def test_a_battery_is_told_beside_what_its_device_measures(tmp_path: Path) -> None:
    """By the topic that they share; low is said; its silence is no alarm of its own, its level no air of the racks."""
    shared = 'id = "{}"\nquantity = "{}"\nspot = "cellar/1"\ntopic = "node/1"\nrecord = "{}"\n'
    more = "".join(
        "[[sensor]]\n" + shared.format(*each, each[1]) for each in (("air", "temperature"), ("cell", "battery"))
    )
    home = lodge(tmp_path, more=more)
    home.clock.set(home.clock() + timedelta(hours=2))
    hear(home, "air", 20.0)
    hear(home, "cell", 12.0)
    house = home.house()
    tick = house.lookout.tick(home.clock() + timedelta(days=1))

    text = home.client().get("/sensors").text
    racks = home.client().get("/racks").text
    silent = {finding.sensor for finding in silence(tick)}
    home.close()

    assert text.count("battery 12 %, LOW, just now") == 1
    assert "12 %" not in racks
    assert silent == {"air"}


def test_a_thermometer_is_checked_in_ice_water_by_what_it_shows_now(home: Lodge, tmp_path: Path) -> None:
    """Nothing typed: the median of its last readings is taken, as the command would be told."""
    hear(home, "air", 0.3, 0.4, 0.4, 9.0, 0.4)

    answer = post(home.client(), "air", "ice", shown="")

    assert answer.status_code == 303
    assert dict(last(home).data) == beside(home, tmp_path, "calibrate", "air", "--ice", "0.4")
    assert last(home).by == "ines"


def test_a_sensor_that_was_checked_before_is_read_raw(home: Lodge) -> None:
    """What it shows before any correction counts, not what was made of it."""
    client = home.client()
    post(client, "air", "ice", shown="1.5")
    hear(home, "air", 18.5)
    hear(home, "air" + RAW, 20.0)

    text = client.get("/sensors/air").text
    post(client, "air", "against", right="19", shown="")

    assert "20.00 °C" in text
    assert "counts as what it shows, -1.5" in text
    assert last(home).data["offset"] == -1.0


def test_a_humidity_sensor_is_checked_in_two_jars_one_after_the_other(home: Lodge, tmp_path: Path) -> None:
    """The first jar is kept on this device until the second comes; then both make one entry."""
    client = home.client()

    post(client, "damp", "first jar", salt="NaCl", shown="73.1", temp="21")
    assert "First jar noted: NaCl showed 73.1 %" in client.get("/sensors/damp").text
    assert home.ledger.entries() == ()
    post(client, "damp", "last jar", salt="MgCl2", shown="34.5", temp="21")

    words = ["calibrate", "damp", "--salt", "NaCl", "73.1", "--salt", "MgCl2", "34.5", "--temp", "21"]
    assert dict(last(home).data) == beside(home, tmp_path, *words)
    assert "First jar noted" not in client.get("/sensors/damp").text


def test_a_scale_is_set_up_step_by_step(home: Lodge, tmp_path: Path) -> None:
    """One thing after the other on it; the scale itself answers where nothing is typed; the set-up is the command's."""
    client = home.client()
    for step in STEPS:
        text = client.get("/sensors/scale").text
        assert f'name="step" value="{step.name}"' in text
        if step.name == "zero":
            hear(home, "scale", *[float(WEIGHTS["zero"])] * 3)
            assert post(client, "scale", "step", step=step.name, shown="").status_code == 303
            continue
        assert post(client, "scale", "step", step=step.name, shown=WEIGHTS[step.name]).status_code == 303

    assert home.ledger.entries() == ()
    assert "mains-powered" in client.get("/sensors/scale").text
    answer = post(client, "scale", "set up", trays="4", weight="6", carries="20")

    assert answer.status_code == 303
    words = ["--zero", "12", "--known", "1040", "--known-shown", "1050", "--tare", "212", "--dry", "912"]
    words += ["--full", "1912", "--trays", "4", "--weight", "6", "--carries", "20"]
    assert dict(last(home).data) == beside(home, tmp_path, "scale", "setup", "scale", *words)
    assert 'name="step" value="zero"' in client.get("/sensors/scale").text  # the steps begin anew


@pytest.mark.parametrize(
    ("sensor", "work", "fields", "why"),
    [
        pytest.param("air", "ice", {"shown": ""}, "has said nothing for 5 minutes", id="nothing fresh"),
        pytest.param("air", "ice", {"shown": "9"}, "so far off it is broken", id="far off"),
        pytest.param("air", "ice", {"shown": "cold"}, "is no temperature", id="no number"),
        pytest.param("damp", "last jar", {"salt": "sugar", "shown": "60"}, "no salt of the table", id="no salt"),
        pytest.param("scale", "set up", {}, "one step is missing", id="a step left out"),
        pytest.param("scale", "step", {"step": "full", "shown": "1"}, "answered already", id="not the next step"),
        pytest.param("lux", "ice", {"shown": "1"}, "only thermometers and humidity", id="no thermometer"),
        pytest.param("air", "dance", {}, "not known here", id="no work"),
    ],
)
def test_what_cannot_be_is_refused(home: Lodge, sensor: str, work: str, fields: dict[str, str], why: str) -> None:
    """With the reason on the page itself; nothing is written."""
    answer = post(home.client(), sensor, work, **fields)

    assert answer.status_code == 422
    assert why in answer.text.replace("&#39;", "'")
    assert home.ledger.entries() == ()


def test_steps_can_be_begun_again(home: Lodge) -> None:
    """A slip in step one is not carried on."""
    client = home.client()
    post(client, "scale", "step", step="zero", shown="12")

    post(client, "scale", "again")

    assert "Step 1 of 7" in client.get("/sensors/scale").text


def test_a_sensor_that_is_not_there_is_said_so(home: Lodge) -> None:
    """Not found, and nothing written."""
    assert home.client().get("/sensors/none").status_code == 404
