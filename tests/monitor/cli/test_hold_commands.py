"""Holds, seed lots and germination as a grower types them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm in a folder, and a clock."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml; it is Monday 2 March 2026, 09:00 in Lisbon."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
        self.now = datetime(2026, 3, 2, 9, tzinfo=UTC)

    def to(self, day: int, hour: int = 9, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)


def test_a_hold_on_paper_accounts_for_every_tray(tmp_path: Path) -> None:
    """What went out, what was thrown away, what stands; what a person typed is escaped; a release is said."""
    cellar = Cellar(tmp_path)
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1", "--lot", "R-77", "--untreated")
    cellar.to(8)
    cellar.says("deliver", "1", "--trays", "2", "--living", "--whom", "the <corner> table")
    cellar.says("discard", "1", "--trays", "1", "--why", "dropped")
    cellar.says("hold", "--lot", "R-77", "--reason", "recalled")
    page = tmp_path / "trace.html"

    assert "room to note who was rung" in cellar.says("holds", "--html", str(page))
    html = page.read_text(encoding="utf-8")
    for title in ("Already gone out: 2 trays", "Thrown away: 1 tray", "Still here: 5 trays"):
        assert title in html
    assert "the &lt;corner&gt; table" in html
    assert "Sown from it: batch 1 radish, 8 trays." in html
    cellar.says("release", "--lot", "R-77", "--reason", "not ours")
    cellar.says("holds", "--all", "--html", str(page))
    assert "Released. Lot R-77" in page.read_text(encoding="utf-8")


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_a_recalled_lot_from_hold_to_release(cellar: Cellar) -> None:
    """Listed with buyer, day and amount; refused with the way out; said first on every round; free again after."""
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1", "--lot", "R-77", "--untreated")
    cellar.to(4)
    cellar.says("uncover", "1")
    cellar.to(5)
    cellar.says("lights", "1")
    cellar.to(8)
    cellar.says("harvest", "1", "--trays", "3", "--grams", "950")
    cellar.says("deliver", "1", "--trays", "2", "--cut", "--whom", "the corner table", "--grams", "600")
    cellar.to(8, 12)
    said = cellar.says("hold", "--lot", "r-77", "--reason", "recalled by the supplier", "--by", "tomek")

    assert "ON HOLD from now on: lot R-77" in said
    assert "Sun 8 Mar 09:00  the corner table: 2 trays, 600 g of batch 1 radish" in said
    assert "5 trays of batch 1 radish: rack 1 shelf 1" in said
    assert "instructions of your food-safety authority and of the seed's supplier" in said
    for words in (("harvest", "1", "--trays", "1"), ("deliver", "1", "--trays", "1")):
        refused = cellar.refuses(*words)
        assert "traywarden release --lot R-77 --reason" in refused
        assert "--against-hold" in refused
    rounds = cellar.says("rounds")
    assert rounds.startswith("ON HOLD: do not cut, do not deliver\n ! Batch 1 radish, 5 trays on rack 1 shelf 1")
    assert "harvest 1" not in rounds
    facts = cellar.json("rounds")
    assert [held["batch"] for held in facts["on_hold"]] == ["1"]
    assert "harvest" not in [task["kind"] for task in facts["due"]]
    (held,) = cellar.json("holds")["holds"]
    assert [(gone["whom"], gone["trays"], gone["grams"]) for gone in held["gone_out"]] == [("the corner table", 2, 600)]
    assert "is on hold already" in cellar.refuses("hold", "--lot", "R-77", "--reason", "x")
    assert "through its lot R-77" in cellar.refuses("release", "--batch", "1", "--reason", "x")
    assert "may be cut and delivered again" in cellar.says("release", "--lot", "r-77", "--reason", "not ours")
    assert "harvest" in [task["kind"] for task in cellar.json("rounds")["due"]]
    assert "Nothing is on hold." in cellar.says("holds")
    assert "not ours" in cellar.says("holds", "--all")


def test_what_went_out_against_a_hold_is_kept_for_tracing(cellar: Cellar) -> None:
    """Warned of, written, and listed."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    cellar.to(8)
    cellar.says("hold", "--batch", "1", "--reason", "smell")

    said = cellar.says("deliver", "1", "--trays", "1", "--living", "--whom", "the mill kitchen", "--against-hold")

    assert "is on hold (smell)" in said
    assert cellar.json("holds")["holds"][0]["gone_out"][0]["whom"] == "the mill kitchen"


def test_a_fuzzy_tray_asks_what_becomes_of_the_rest(cellar: Cellar) -> None:
    """The command to type is said; nothing is held by itself."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    cellar.to(7)

    said = cellar.says("discard", "1", "--trays", "1", "--why", "grey fuzz")

    assert "the other 3 trays of batch 1 radish" in said
    assert "traywarden hold --batch 1 --reason 'grey fuzz'" in said
    assert cellar.json("holds")["holds"] == []
    cellar.to(7, 17, 1)
    due = [(task["kind"], task["answer"]) for task in cellar.json("rounds")["due"]]
    assert ("look over", "traywarden look 1 --text 'nothing seen'") in due
    assert ("wash the shelf", "traywarden clean 1/1") in due
    assert "4 trays" not in cellar.says("look", "1", "--text", "nothing seen")
    cellar.says("clean", "1/1")
    assert {kind for kind, _ in due} - {task["kind"] for task in cellar.json("rounds")["due"]} >= {
        "look over",
        "wash the shelf",
    }


def test_a_look_put_off_is_asked_again_at_the_next_round(cellar: Cellar) -> None:
    """As every task."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    cellar.to(7)
    cellar.says("discard", "1", "--trays", "1", "--why", "grey fuzz")
    cellar.to(7, 17, 1)
    cellar.says("not-yet", "1", "wash")

    def due() -> list[str]:
        return [task["kind"] for task in cellar.json("rounds")["due"]]

    assert "wash the shelf" not in due()
    cellar.to(8, 7, 31)
    assert "wash the shelf" in due()


def test_a_seed_lot_is_counted_down_and_lends_what_its_bag_says(cellar: Cellar) -> None:
    """Two bags, two sowings; supplier and untreated come from the lot."""
    cellar.says("lot", "R-77", "--crop", "radish", "--supplier", "the seed shed", "--bought", "400", "--untreated")
    assert "another bag" in cellar.says("lot", "r-77", "--bought", "100", "--use-by", "2026-03-04")
    cellar.says("sow", "radish", "--trays", "8", "--lot", "r-77", "--grams", "35")
    cellar.to(6)
    warned = cellar.says("sow", "radish", "--trays", "8", "--lot", "R-77", "--grams", "35")

    assert "has 220 g left by the book, and 280 g are sown" in warned
    assert "was to be used by 2026-03-04" in warned
    (lot,) = cellar.json("lots")["lots"]
    assert (lot["bought_g"], lot["left_g"], lot["batches"]) == (500, -60, ["1", "2"])
    assert "NOTHING LEFT by the book" in cellar.says("lots")
    batch = cellar.json("batches")["batches"][0]
    assert (batch["lot"], batch["supplier"], batch["treated"]) == ("R-77", "the seed shed", False)


def test_a_lot_is_refused_where_its_bag_and_the_book_differ(cellar: Cellar) -> None:
    """Another crop, or none said."""
    assert "say what it is" in cellar.refuses("lot", "R-77", "--bought", "100")
    cellar.says("lot", "R-77", "--crop", "radish")
    assert "is radish in the book" in cellar.refuses("lot", "R-77", "--crop", "kale")


def test_germination_is_judged_against_the_label(cellar: Cellar) -> None:
    """The label is remembered; few seeds cannot tell; too low is said plainly."""
    assert "no seed lot is called" in cellar.refuses("germination", "R-77", "88/100")
    cellar.says("lot", "R-77", "--crop", "radish", "--bought", "400", "--untreated")

    fine = cellar.says("germination", "R-77", "88/100", "--label", "92")
    worse = cellar.json("germination", "R-77", "80/100")["germination"]
    few = cellar.says("germination", "R-77", "42/50")

    assert "between 80 and 94 %" in fine
    assert "does not differ from its label" in fine
    assert worse["differs_from_label"] is True
    assert worse["label_pct"] == 92
    assert "50 seeds are too few to tell" in few
    assert len(cellar.json("lots")["lots"][0]["tests"]) == 3
    assert "is no count" in cellar.refuses("germination", "R-77", "88")
