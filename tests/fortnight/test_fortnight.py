"""Two weeks at Saltcellar Farm, typed as a grower types them: what was told, what the book adds up to, what is printed.

``typed.txt`` is what was typed, ``nudges.txt`` what was told and nothing else; the air is simulated.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from alerts.outbox_sql import SqlOutbox
from dashboards.sheetbook import SHEETS_STATE
from monitor.stores.ledger import open_ledger
from tests.fortnight import paper, sums, told
from tests.fortnight.cellar import STEP, Cellar, read_script

HERE = Path(__file__).parent
ZONE = ZoneInfo("Europe/Lisbon")
BEGIN, END = datetime(2026, 3, 2, 6, tzinfo=UTC), datetime(2026, 3, 15, 23, 45, tzinfo=UTC)


@dataclass
class Fortnight:
    """What is left of the two weeks.

    Attributes:
        folder: Where the farm's files and its papers are.
        cellar: The farm.
        nudges: What was told, in short.
        wrong: What did not add up after a command.
        said: What each command said, by its words.
    """

    folder: Path
    cellar: Cellar
    nudges: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)


@pytest.fixture(scope="module")
def fortnight(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fortnight]:
    """Live through the two weeks once."""
    folder = tmp_path_factory.mktemp("cellar")
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield _lived(folder)
    finally:
        os.chdir(before)


def _lived(folder: Path) -> Fortnight:
    """Type the whole script, and count the book after each command."""
    lived = Fortnight(folder, Cellar(folder=folder, now=BEGIN))
    cellar = lived.cellar
    waiting = list(read_script(HERE / "typed.txt", lambda wall: wall.replace(tzinfo=ZONE).astimezone(UTC)))
    for now in cellar.steps(END):
        while waiting and waiting[0].at < now + STEP:
            typed = waiting.pop(0)
            cellar.now = typed.at
            lived.said[f"{typed.at:%d} {' '.join(typed.words)}"] = cellar.type(typed)
            lived.wrong += _wrong(cellar, " ".join(typed.words))
        cellar.now = now
    assert cellar.service is not None
    lived.nudges = told.short(cellar.service.outbox.rows(), ZONE)
    cellar.stop()
    assert not waiting
    return lived


def _wrong(cellar: Cellar, after: str) -> list[str]:
    """Return what does not add up after a command; seed and promises where the command could have moved them."""
    ledger = open_ledger(cellar.farm.storage.folder)
    entries = ledger.entries()
    ledger.close()
    wrong = sums.wrong_trays(entries)
    if after.split()[0] in ("lot", "sow"):
        said = {lot["lot"]: lot["left_g"] for lot in cellar.json("lots", "--all")["lots"]}
        counted = sums.seed_left(entries)
        wrong += [f"lot {lot}: {said.get(lot)} g said" for lot, left in counted.items() if said.get(lot) != left]
    if after.split()[0] in ("promise", "deliver"):
        wrong += sums.delivered(entries, cellar.json("promises")["days"])
    return [f"after {after}: {each}" for each in wrong]


def test_what_was_told_is_what_was_expected_and_nothing_else(fortnight: Fortnight) -> None:
    """Every message of the fortnight; ``nudges.txt`` was read line by line."""
    assert fortnight.nudges == (HERE / "nudges.txt").read_text(encoding="utf-8").splitlines()


def test_the_book_adds_up_after_every_command(fortnight: Fortnight) -> None:
    """Trays sown = standing + cut + delivered + discarded; seed bought = sown + left; promised days as delivered."""
    assert fortnight.wrong == []


def test_the_farm_is_as_big_as_it_was_meant_to_be(fortnight: Fortnight) -> None:
    """Sixty trays of nine crops on the first day; more for the call and the standing orders."""
    batches = fortnight.cellar.json("batches", "--all")["batches"]

    assert sum(batch["sown"] for batch in batches[:9]) == 60
    assert len({batch["crop"] for batch in batches}) == 9
    assert sum(batch["sown"] for batch in batches) == 86


def test_what_was_recalled_can_be_traced(fortnight: Fortnight) -> None:
    """Two trays went out before, to whom and when; the rest was thrown away, and nothing was cut."""
    (hold,) = fortnight.cellar.json("holds")["holds"]

    assert [(gone["whom"], gone["trays"], gone["living"]) for gone in hold["gone_out"]] == [
        ("the corner table", 2, True)
    ]
    assert hold["still_here"] == []
    assert [away["trays"] for away in hold["thrown_away"]] == [6]
    assert hold["seed_left_g"] == 3000 - 8 * 120
    (rest,) = [batch for batch in fortnight.cellar.json("batches", "--all")["batches"] if batch["id"] == "2"]
    assert (rest["discarded"], rest["delivered"], rest["cut"]) == (6, 2, 0)


def _lines_of(fortnight: Fortnight, text: str) -> list[dict[str, object]]:
    """Return the lines that were kept of a printed sheet, by the letters on it."""
    ledger = open_ledger(fortnight.cellar.farm.storage.folder)
    kept = SqlOutbox(ledger.engine).state(SHEETS_STATE)
    ledger.close()
    (lines,) = [row["lines"] for row in kept if f"Sheet {row['key']}" in text]
    return list(lines)


@pytest.mark.live
def test_every_page_prints_whole(fortnight: Fortnight, tmp_path: Path) -> None:
    """Headless Chromium to PDF: nothing in the margins, every line's words on the paper, pages as many as expected."""
    folder = fortnight.folder
    names = ("sheet.html", "records.html", "trace.html", "next.html")
    sheet, records, trace, ahead = (
        paper.printed(pdf) for pdf in paper.to_pdf([folder / name for name in names], tmp_path)
    )

    for page in (sheet, records, trace, ahead):
        for left, top, right, bottom in page.margins_mm:
            assert min(left, right) >= 12
            assert min(top, bottom) >= 12
    assert [len(page.texts) for page in (sheet, records, trace, ahead)] == [5, 3, 1, 5]
    lines = [(line, page.text) for page in (sheet, ahead) for line in _lines_of(fortnight, page.text)]
    assert len(lines) == 51 + 35
    for line, text in lines:
        assert f"{line['number']} {line['batch']} {line['crop']}" in text
        assert str(line["words"]) in text
    assert "no longer than a breath" in sheet.text
    assert "L50 pea, 5 trays Drain the soak" in sheet.text
    assert "It is no certificate" in records.text
    assert "Tue 10 Mar 09:02 the corner table 2 living 2 sunflower 131" in trace.text
    assert "Seed of it left: 2.04 kg" in trace.text
    with (folder / "records.csv").open(encoding="utf-8", newline="") as file:
        assert [row["entry"] for row in csv.DictReader(file) if row["entry"] not in records.text] == []
