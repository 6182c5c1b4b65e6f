"""Racks: the room as it stands, from the facts to the page."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from dashboards.pages.boards import RacksPage, TrayGroup
from dashboards.pages.racks import build_racks
from dashboards.web.readings import newest
from monitor.ledger import EntryKind, NewEntry
from monitor.readings import Block, Flag, Reading
from monitor.scalesetup import setups_of
from tests.support.farms import sensor_text
from tests.support.houses import Lodge, lodge

SENSORS = (
    sensor_text("air", "temperature", "cellar/1")
    + sensor_text("damp", "humidity", "cellar/1")
    + sensor_text("cold-air", "temperature", "cold")
    + sensor_text("scale", "weight", "cellar/1/3", dry_g=1150, full_g=1850)
)


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Lodge]:
    """Return a farm: radish stacked on day 1, sunflower in the light on a scale, basil nowhere."""
    house = lodge(tmp_path, more=SENSORS)
    house.sow("1", "radish", 6, "cellar/1/1", days_ago=1)
    house.sow("2", "sunflower", 1, "cellar/1/3", days_ago=9)
    yield house
    house.close()


def hear(home: Lodge, name: str, value: float, minutes_ago: float = 1.0, flag: Flag = Flag.PASS) -> None:
    """Have a sensor say something."""
    at = home.clock() - timedelta(minutes=minutes_ago)
    home.read(Block.from_readings([Reading(sensor=name, measured_at=at, value=value, flag=flag)]))


def page_of(home: Lodge) -> RacksPage:
    """Return the page as data."""
    house = home.house()
    tick = house.lookout.tick(home.clock())
    return build_racks(tick, newest(house), home.live, house.alarms().values(), now=home.clock())


def groups(page: RacksPage) -> dict[str, TrayGroup]:
    """Return what stands, by batch."""
    return {group.batch: group for rack in page.racks for board in rack.boards for group in board.groups}


def test_every_shelf_stands_in_its_rack_with_what_is_on_it(home: Lodge) -> None:
    """Rack by rack, shelf by shelf, in walking order; an empty shelf says how many fit."""
    page = page_of(home)

    racks = {rack.name: [board.name for board in rack.boards] for rack in page.racks if rack.boards}
    assert racks == {"Rack 1": ["shelf 1", "shelf 2", "shelf 3"], "Rack 2": ["shelf 1", "shelf 2", "shelf 3"]}
    shelf = page.racks[1].boards[0]
    assert shelf.room == "6 of 12 places free"
    assert [(group.crop, group.count, group.day) for group in shelf.groups] == [("Radish", "6 trays", "day 1")]
    assert groups(page)["1"].phase.startswith("stacked in the dark since Tue 3 Mar")


def test_trays_outside_their_band_say_so_in_words(home: Lodge) -> None:
    """Too cold for sunflower: the name, what is measured, what is wanted; radish on day 1 too."""
    hear(home, "air", 9.0)

    page = page_of(home)

    outside = groups(page)["2"].outside
    assert [each.name for each in outside] == ["too cold"]
    assert outside[0].is_low
    assert outside[0].says.startswith("9 °C, wants at least ")
    assert groups(page)["2"].inside == ""
    assert page.sums == "2 batches stand; 2 outside their band."


def test_what_is_not_measured_is_not_called_good(home: Lodge) -> None:
    """Without a fresh reading no tray is 'in its band'... unless a sensor spoke lately."""
    assert groups(page_of(home))["2"].inside == "not heard lately"

    hear(home, "air", 20.0)
    hear(home, "damp", 55.0)

    assert groups(page_of(home))["2"].inside == "in its band"
    assert page_of(home).sums == "2 batches stand; none outside their band."


def test_each_figure_has_its_age(home: Lodge) -> None:
    """Fresh, old, doubtful, outside the limits of its place, never heard."""
    hear(home, "air", 20.0, minutes_ago=45)
    hear(home, "cold-air", 9.0)
    hear(home, "damp", 140.0, flag=Flag.FAIL)

    figures = {figure.sensor: figure for rack in page_of(home).racks for figure in rack.figures}

    assert (figures["air"].says, figures["air"].age, figures["air"].is_old) == ("20 °C", "45 min ago", True)
    assert (figures["cold-air"].age, figures["cold-air"].note) == ("just now", "outside the limits of this place")
    assert (figures["damp"].says, figures["damp"].note) == ("not heard", "doubtful since")


def test_water_left_is_said_with_how_it_is_known_and_how_old_that_is(home: Lodge) -> None:
    """By the scale, and when it was weighed; under a cover trays are not to be lifted."""
    at = home.clock() - timedelta(hours=3)
    rows = [
        Reading(sensor="scale", measured_at=at + timedelta(minutes=n), value=1600.0, flag=Flag.PASS) for n in range(178)
    ]
    home.scales.set_up(setups_of(home.ledger.entries(), home.farm.sensors))
    home.read(Block.from_readings(rows))

    found = groups(page_of(home))

    assert found["2"].water.endswith("%")
    assert found["2"].water_how == "by its scale, 3 min ago"
    assert "dry" in found["2"].dry
    assert found["1"].water == ""
    assert "not to be lifted" in found["1"].water_how


def test_nothing_is_lost_that_stands_nowhere(home: Lodge) -> None:
    """Trays without a place, and seed that soaks, come last."""
    at = home.clock()
    home.enter(
        NewEntry(kind=EntryKind.SOAKED, at=at, by="ines", batch="8", data={"crop": "pea", "trays_planned": 4}),
        NewEntry(kind=EntryKind.SOWN, at=at, by="ines", batch="9", trays=2, data={"crop": "kale"}),
    )

    last = page_of(home).racks[-1]

    assert last.name == "Not on a rack"
    assert {group.batch: group.phase for group in last.boards[0].groups}.keys() == {"8", "9"}
    assert groups(page_of(home))["8"].phase == "in soak, just now"


def test_what_is_on_hold_stands_first(home: Lodge) -> None:
    """Before everything else on the page, and at its trays."""
    entry = NewEntry(kind=EntryKind.HELD, at=home.clock(), by="ines", batch="2", data={"why": "<b>smell</b>"})
    home.enter(entry)

    text = home.client().get("/racks").text

    main = text[text.index("<main") :]
    assert main.index("ON HOLD: do not cut, do not deliver") < main.index("Rack 1")
    assert "&lt;b&gt;smell&lt;/b&gt;" in text
    assert "<b>smell" not in text
    assert groups(page_of(home))["2"].is_held


def test_the_page_listens_for_readings(home: Lodge) -> None:
    """What is shown is a part that is fetched anew when a reading comes."""
    hear(home, "air", 21.5)

    answer = home.client().get("/racks")

    assert answer.status_code == 200
    assert 'data-part="racks" data-on="readings ledger alarms clock"' in answer.text
    assert "21.5 °C" in answer.text
    assert 'aria-label="temperature, last 24 h: 21.5 °C to 21.5 °C"' in answer.text
    assert "style=" not in answer.text
