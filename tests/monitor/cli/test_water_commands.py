"""`traywarden dry`, `scale`, `seen`, `confirm` and `refuse`, as a grower types them."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import NotFoundError, RefusedError
from monitor.readings import Block, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import TEXT, sensor_text
from tests.support.typist import Typist
from tests.support.weights import tray

FLAGS = ("--zero", "0", "--known", "1000", "--known-shown", "1000", "--tare", "400", "--dry", "500")


class Cellar(Typist):
    """A farm in a folder with one scale, on Sunday 8 March 2026, 07:30 in Lisbon."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml."""
        self.path = folder / "farm.toml"
        more = sensor_text("scale-1", "weight", "cellar/1/2/1", carries_g=20000)
        text = TEXT.format(zone="Europe/Lisbon", more=more)
        text = text.replace('rounds = ["07:30"', 'concentrate_ml_per_l = 2\nrounds = ["07:30"')
        self.path.write_text(text, encoding="utf-8")
        self.now = datetime(2026, 3, 2, 8, tzinfo=UTC)

    def show(self, rows: list[tuple[datetime, float]]) -> None:
        """Store what the scale showed."""
        store = SqliteReadingStore(self.path.parent / "data" / "readings.db")
        readings = [Reading(sensor="scale-1", measured_at=at, value=grams) for at, grams in rows]
        store.append(Block.from_readings(readings))
        store.close()

    def grow(self, weight_g: float, *, steps: tuple[tuple[float, float], ...] = ()) -> None:
        """Sow, uncover and light a tray on the scale, and have it weigh so much on the sixth day."""
        self.says("sow", "radish", "--trays", "1", "--spot", "1/2/1")
        self.now = datetime(2026, 3, 4, 8, tzinfo=UTC)
        self.says("uncover", "1")
        self.now = datetime(2026, 3, 5, 8, tzinfo=UTC)
        self.says("lights", "1")
        self.now = datetime(2026, 3, 8, 7, 30, tzinfo=UTC)
        end_g = weight_g - sum(change for _, change in steps)
        rows = tray(60, start_g=end_g + 540, loss_g_h=9, every_min=3, steps=steps)
        begin = self.now - timedelta(hours=60)
        self.show([(begin + timedelta(milliseconds=at_ms), grams) for at_ms, grams in rows])


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at, its scale set up."""
    made = Cellar(tmp_path)
    made.says("scale", "setup", "scale-1", *FLAGS, "--full", "1700", "--limp", "900", "--trays", "4", "--weight", "6")
    return made


def test_a_scale_is_set_up_by_putting_things_on_it(tmp_path: Path) -> None:
    """Each step is read from the scale where Enter is pressed, or typed; the caution stands first."""
    fresh = Cellar(tmp_path)
    fresh.says("sow", "radish", "--trays", "1", "--spot", "1/2/1")  # makes the data folder
    fresh.show([(fresh.now - timedelta(minutes=m), 8.0 + 0.1 * m) for m in (4, 3, 2, 1)])
    done = fresh.run("scale", "setup", "scale-1", answer="\n1000\n1008\n412\n512\n1708\n\n")

    assert done.exit_code == 0, done.output
    assert "nothing mains-powered under or over a tray" in done.output
    assert "licensed electrician" in done.output
    assert "it shows 8.2 g" in done.output
    assert "scale-1 is set up" in done.output
    assert "reckoned, not weighed" in done.output
    held = fresh.json("scale", "list")["scales"][0]["setup"]
    assert held["zero_g"] == pytest.approx(8.25)
    assert held["full_g"] == pytest.approx(1700, abs=2)
    assert not held["limp_is_measured"]


def test_a_silent_scale_says_what_to_do(tmp_path: Path) -> None:
    """Enter, and nothing was heard for five minutes."""
    done = Cellar(tmp_path).run("scale", "setup", "scale-1", answer="\n")

    assert isinstance(done.exception, RefusedError)
    assert "has said nothing for 5 minutes" in str(done.exception)


def test_a_cell_that_cannot_carry_the_pile_is_refused(cellar: Cellar) -> None:
    """Nine full trays and 8 kg on 20 kg."""
    done = cellar.run("scale", "setup", "scale-1", *FLAGS, "--full", "1700", "--trays", "9", "--weight", "8")

    assert isinstance(done.exception, RefusedError)
    assert "make 23.3 kg" in str(done.exception)


def test_a_scale_that_is_not_there(cellar: Cellar) -> None:
    """Named with those that are."""
    done = cellar.run("scale", "setup", "scale-9")

    assert isinstance(done.exception, NotFoundError)
    assert "there are: scale-1" in str(done.exception)


def test_dry_says_what_to_pour_and_when_the_rest_is_dry(cellar: Cellar) -> None:
    """In words, with the water to carry and the plant food of the farm's own label, and as JSON."""
    cellar.grow(1400)
    said = cellar.says("dry")
    facts = cellar.json("dry")

    assert "Water to carry in all:" in said
    assert "ml of concentrate" in said
    assert "(2 ml/l, as your label says)" in said
    assert "Batch 1 radish, 1 tray on rack 1 shelf 2 place 1: POUR" in said
    assert "by its scale; dry by" in said
    row = facts["trays"][0]
    assert row["due"]
    assert row["left_80"][0] < row["left"] < row["left_80"][1]
    assert row["hours_to_limp_80"][0] <= row["hours_to_limp"] <= row["hours_to_limp_80"][1]
    assert facts["pour_ml_in_all"] == row["pour_ml"]


def test_rounds_and_dry_say_the_same(cellar: Cellar) -> None:
    """The round's water is the pour of `dry`."""
    cellar.grow(1400)

    rounds = [task for task in cellar.json("rounds")["due"] if task["kind"] == "water"]
    assert rounds[0]["water_ml"] == cellar.json("dry")["pour_ml_in_all"]


def test_dry_without_scales_asks_for_the_hand(tmp_path: Path) -> None:
    """Only the profile's days tell; the command that helps is named."""
    fresh = Cellar(tmp_path)
    fresh.grow(1400)

    assert "was never set up" in fresh.says("dry")
    assert "Nothing stands." in Cellar(tmp_path).says("dry", "--batch", "9")


def test_what_the_scale_saw_is_confirmed_by_its_letters(cellar: Cellar) -> None:
    """Listed, confirmed with the scale's own time, and gone from the list."""
    cellar.grow(1600, steps=((50, 300),))
    key = cellar.json("seen")["seen"][0]["key"]
    listed = cellar.says("seen")
    said = cellar.says("confirm", key.lower())

    assert "poured into the tray" in listed
    assert f"traywarden confirm {key}" in listed
    assert "Noted: Sat 7 Mar 21:" in said
    assert "saw nothing that is not entered" in cellar.says("seen")
    entry = cellar.json("batch", "1")["entries"][-1]
    assert entry["kind"] == "watered"
    assert entry["data"]["ml_per_tray"] == pytest.approx(300, abs=8)


def test_what_the_scale_saw_is_refused(cellar: Cellar) -> None:
    """Not offered again; a wrong key is refused with those that wait."""
    cellar.grow(1600, steps=((50, 300),))
    key = cellar.json("seen")["seen"][0]["key"]
    wrong = cellar.run("refuse", "ZZZZ")
    cellar.says("refuse", key, "--why", "the cat")

    assert isinstance(wrong.exception, NotFoundError)
    assert key in str(wrong.exception)
    assert "saw nothing" in cellar.says("seen")
    assert "Nothing waits" in cellar.says("confirm", "all")


def test_all_that_the_scales_saw_is_listed(cellar: Cellar) -> None:
    """Small steps and disturbances are told apart from what could be entered."""
    cellar.grow(1600, steps=((30, 15), (40, 400), (40.15, -400), (50, 300)))
    said = cellar.says("seen", "--all")
    deeds = [row["deed"] for row in cellar.json("seen", "--all")["seen"]]

    assert re.search(r"Sat 7 Mar 21:\d\d  scale-1, batch 1: watered \(\+(29\d|30\d) g\)", said)
    assert deeds == ["small step", "something lay on it", "watered"]
