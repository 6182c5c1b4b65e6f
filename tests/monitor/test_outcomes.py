"""How a batch turned out, from its entries."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from PIL import Image

from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.outcomes import SIGNS, Judged, Outcome, outcome_of
from monitor.profilefile import shipped_profiles
from tests.monitor.cli.test_hold_commands import Cellar
from tests.support.farms import Book

RADISH = shipped_profiles()["radish"]


def told(*deeds: tuple[EntryKind, int, int | None, dict[str, object]]) -> Outcome:
    """Return the outcome of eight radish trays with (kind, day, trays, data) entered."""
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "radish", 8)
    for kind, day, trays, data in deeds:
        book.add(kind, sown_at + timedelta(days=day), trays=trays, data=data)
    return outcome_of(fold(book.entries)["1"], RADISH, tray_scale=1.0, zone=book.zone)


def test_counts_come_from_the_ledger() -> None:
    """Yield by the trays that were weighed, days to the first cut, living trays apart from cut ones."""
    found = told(
        (EntryKind.HARVESTED, 8, 4, {"grams": 1320}),
        (EntryKind.DELIVERED, 8, 4, {"living": False, "whom": "the corner table"}),
        (EntryKind.DELIVERED, 9, 2, {"living": True}),
        (EntryKind.DISCARDED, 10, 2, {"why": "grey fuzz"}),
    )

    assert (found.cut, found.living, found.lost, found.sown) == (4, 2, 2, 8)
    assert found.yield_g == pytest.approx(330)
    assert found.days == 8
    assert found.loss == pytest.approx(0.25)
    assert found.why == "grey fuzz"
    assert found.judged is Judged.GOOD


@pytest.mark.parametrize(
    ("deeds", "judged"),
    [
        pytest.param([(EntryKind.OUTCOME, 8, None, {"stand": 2})], Judged.POOR, id="a poor stand"),
        pytest.param([(EntryKind.OUTCOME, 8, None, {"stand": 3})], Judged.GOOD, id="a fair stand"),
        pytest.param([(EntryKind.DISCARDED, 8, 3, {"why": "slime"})], Judged.POOR, id="over a third thrown away"),
        pytest.param([(EntryKind.DISCARDED, 8, 2, {"why": "slime"})], Judged.UNSAID, id="a quarter, the rest stands"),
        pytest.param([(EntryKind.HARVESTED, 8, 8, {"grams": 8 * 180})], Judged.POOR, id="too little to the tray"),
        pytest.param([(EntryKind.HARVESTED, 8, 8, {})], Judged.GOOD, id="cut, not weighed"),
        pytest.param([], Judged.UNSAID, id="nothing entered"),
    ],
)
def test_good_and_poor_follow_the_written_rules(
    deeds: list[tuple[EntryKind, int, int | None, dict[str, object]]], judged: Judged
) -> None:
    """One row a rule."""
    assert told(*deeds).judged is judged


def test_a_later_word_replaces_an_earlier_one_and_signs_gather() -> None:
    """The newest figure holds; what was seen at all stays."""
    found = told(
        (EntryKind.OUTCOME, 5, None, {"stand": 4, "signs": ["patchy"], "photo": "a.jpg"}),
        (EntryKind.OUTCOME, 8, None, {"stand": 2, "signs": ["mould", "patchy"]}),
    )

    assert found.stand == 2
    assert found.signs == ("patchy", "mould")
    assert found.photos == ("a.jpg",)


def test_typed_with_a_picture(tmp_path: Path) -> None:
    """It is written down, the picture is kept beside the ledger, and what is spoilt is not sold."""
    cellar = Cellar(tmp_path)
    picture = tmp_path / "tray.jpg"
    Image.new("RGB", (40, 30), (90, 120, 60)).save(picture)
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1", "--medium", "coir C-4")
    cellar.to(10)
    said = cellar.says("outcome", "1", "--stand", "2", "--sign", "mould", "--why", "grey fuzz", "--photo", str(picture))
    entry = cellar.json("outcome", "1", "--evenness", "3")["entries"][0]
    batch = cellar.json("batch", "1")

    assert "stand 2 of 5, mould, grey fuzz, picture" in said
    assert "is not sold" in said
    assert entry["data"] == {"evenness": 3.0}
    kept = [path.name for path in (tmp_path / "data" / "photos").iterdir()]
    assert f"picture {kept[0]}" in said
    assert len(kept) == 1
    assert any(each.get("data", {}).get("medium") == "coir C-4" for each in batch["entries"])


def test_refusals_say_the_way_out(tmp_path: Path) -> None:
    """Nothing said, or no picture."""
    cellar = Cellar(tmp_path)
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    note = tmp_path / "note.txt"
    note.write_text("no picture", encoding="utf-8")

    assert "--stand 4" in cellar.refuses("outcome", "1")
    assert "JPEG" in cellar.refuses("outcome", "1", "--photo", str(note))


def test_every_sign_has_its_words() -> None:
    """Each word of the list is explained."""
    assert all(len(words) > 8 for words in SIGNS.values())
