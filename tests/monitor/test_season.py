"""Many batches together, and the way of a seed lot, as a grower types for them."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

import pytest

from monitor.outcomes import Judged, Outcome
from monitor.season import FEW, SeasonBatch, season_of
from tests.monitor.cli.test_hold_commands import Cellar

FIRST = date(2026, 3, 2)


def grown(number: int, lot: str, judged: Judged, yield_g: float) -> SeasonBatch:
    """Return a radish batch sown on a day of its own."""
    outcome = Outcome(
        batch=str(number), judged=judged, yield_g=yield_g, days=8, stand=2.0 if judged is Judged.POOR else 4.5
    )
    return SeasonBatch(
        batch=str(number), crop="radish", lot=lot, place="cellar/1/1", sown_on=FIRST + timedelta(days=number),
        outcome=outcome, water_ml=900.0,
    )  # fmt: skip


BATCHES = [grown(n, "A", Judged.GOOD, 330 + n) for n in range(8)] + [
    grown(n, "B", Judged.POOR, 150 + n) for n in range(8, 14)
]


def test_a_bad_lot_stands_out_and_is_corrected_for_the_number_asked() -> None:
    """Six poor of one lot against eight good of another; two rows of three chances are six questions."""
    rows = {row.group: row for row in season_of(BATCHES, FIRST, FIRST + timedelta(days=30)).lots}

    assert (rows["B"].poor, rows["B"].good) == (6, 0)
    assert rows["B"].poor_chance == pytest.approx(6 / 3003)  # 1 of 3003 ways, the smallest of six chances
    assert rows["B"].poor_chance == rows["A"].poor_chance
    assert rows["A"].yield_g == pytest.approx(333.5)
    assert not rows["B"].is_small


def test_few_are_said_to_be_few_and_days_outside_do_not_count() -> None:
    """Only batches sown between the two days."""
    season = season_of(BATCHES, FIRST, FIRST + timedelta(days=3))

    assert season.crops[0].batches == 4
    assert season.crops[0].is_small
    assert FEW > 4
    assert [point.stand for point in season.stands] == [4.5] * 4


def test_a_season_typed(tmp_path: Path) -> None:
    """Lots against each other, the stand of each over time, water, and the caveat, on screen, page and table."""
    cellar = Cellar(tmp_path)
    for number, (lot, stand) in enumerate([("R-1", 5), ("R-1", 4), ("R-2", 1)], start=1):
        cellar.to(number)
        cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1", "--lot", lot)
        cellar.to(number + 8)
        cellar.says("water", str(number), "--ml", "200")
        cellar.says("harvest", str(number), "--grams", "1200")
        cellar.says("outcome", str(number), "--stand", str(stand))
    cellar.to(20)
    said = cellar.says("season")
    page, table = tmp_path / "season.html", tmp_path / "season.csv"
    facts = cellar.json("season", "--html", str(page), "--csv", str(table))

    assert "nobody's trial" in said
    assert "is not sold" in said
    lots = {row["group"]: row for row in facts["lots"]}
    assert (lots["R-2"]["poor"], lots["R-1"]["good"]) == (1, 2)
    assert lots["R-1"]["water_ml"] == 200
    assert [point["stand"] for point in facts["stands"]] == [5, 4, 1]
    assert "Stand of each lot over time" in page.read_text(encoding="utf-8")
    rows = list(csv.reader(table.read_text(encoding="utf-8").splitlines()))
    assert any(row and row[0] == "By seed lot" for row in rows)
    assert "lies after" in cellar.refuses("season", "--from", "2026-03-09", "--to", "2026-03-02")


def test_a_lot_is_traced_one_step_back_and_one_forward(tmp_path: Path) -> None:
    """Supplier, batches, places, deliveries, what is still here, what is on hold, what was thrown away and cleaned."""
    cellar = Cellar(tmp_path)
    cellar.says("lot", "R-77", "--crop", "radish", "--supplier", "the seed shed", "--bought", "2500")
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1", "--lot", "R-77", "--untreated")
    cellar.says("sow", "radish", "--trays", "2", "--spot", "1/2", "--lot", "r-77")
    cellar.to(4)
    cellar.says("uncover", "1")
    cellar.says("move", "1", "2/1")
    cellar.to(10)
    cellar.says("harvest", "1", "--trays", "5", "--grams", "1500")
    cellar.says("deliver", "1", "--trays", "3", "--cut", "--whom", "=the corner table", "--grams", "900")
    cellar.says("discard", "1", "--trays", "1", "--why", "slime")
    cellar.says("hold", "--lot", "R-77", "--reason", "recalled")
    cellar.to(11)
    page, table = tmp_path / "trace.html", tmp_path / "trace.csv"
    facts = cellar.json("trace", "--lot", "r-77", "--html", str(page), "--csv", str(table))

    assert facts["schema"] == "traywarden.trace/1"
    assert facts["lots"][0]["supplier"] == "the seed shed"
    assert [each["batch"] for each in facts["batches"]] == ["1", "2"]
    assert [place for place, _ in facts["batches"][0]["stays"]] == ["cellar/1/1", "cellar/2/1"]
    assert [(gone["whom"], gone["trays"], gone["grams"]) for gone in facts["gone"]] == [("=the corner table", 3, 900)]
    assert sum(each["trays"] for each in facts["here"]) == 2 + 2 + 2
    assert facts["holds"][0]["why"] == "recalled"
    assert "your food-safety authority" in page.read_text(encoding="utf-8")
    assert "'=the corner table" in table.read_text(encoding="utf-8")


def test_a_batch_is_traced_with_the_others_of_its_lot(tmp_path: Path) -> None:
    """And what is asked wrongly says how to ask."""
    cellar = Cellar(tmp_path)
    for _ in range(2):
        cellar.says("sow", "radish", "--trays", "2", "--spot", "1/1", "--lot", "R-9")
    facts = cellar.json("trace", "--batch", "1")

    assert [each["batch"] for each in facts["batches"]] == ["1"]
    assert facts["also_of_lot"] == ["2"]
    assert facts["not_entered"] == ["R-9"]
    assert "nothing was entered" in cellar.says("trace", "--batch", "1")
    assert "--lot R-77, or" in cellar.refuses("trace")
    assert "no seed lot 'X'" in cellar.refuses("trace", "--lot", "X")
    assert "no batch '99'" in cellar.refuses("trace", "--batch", "99")
