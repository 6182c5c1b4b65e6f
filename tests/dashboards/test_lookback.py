"""The look-back as a grower asks for it: the verdict, the page, the tables, and that all of them say the same."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from pathlib import Path

import pytest

from dashboards.lookback import Beside, nudges_of
from dashboards.lookbackwords import CAUTIONS, dose_words
from monitor.fold import fold
from monitor.ledger import EntryKind
from tests.support.farms import Book
from tests.support.outbox import asked
from tests.support.simulated import BadBatch


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> BadBatch:
    """Return a simulated farm whose newest bad batch dried out under its cover."""
    return BadBatch(tmp_path_factory.mktemp("bad"), "dried out while covered", seed=3)


def test_the_verdict_is_three_sentences_with_their_numbers(farm: BadBatch) -> None:
    """What came of it, what the record points to and by how much, and what is to be done next."""
    facts = farm.json("lookback", farm.case.target)
    verdict = [each["text"] for each in facts["verdict"]]

    assert len(verdict) == 3
    assert verdict[0].startswith(f"Batch {farm.case.target} ")
    assert "came out poorly" in verdict[0]
    assert re.search(
        r"dried out while covered \((over )?\d+ %.*: [\d.]+ h at or under the wilting point, where 8.5", verdict[1]
    )
    assert "Next: " in verdict[2]
    assert facts["suspects"][0]["cause"] == "dried out while covered"
    assert facts["schema"] == "traywarden.lookback/1"


def test_without_a_number_the_last_poor_batch_is_meant(farm: BadBatch) -> None:
    """Here that is the one that was spoilt, or a later poor one."""
    assert farm.json("lookback")["outcome"]["judged"] == "poor"
    assert "no batch 'nn'" in farm.refuses("lookback", "nn")


def test_the_page_stands_alone_and_says_what_the_facts_say(farm: BadBatch, tmp_path: Path) -> None:
    """One file under 1.5 MB that asks nobody for anything, with the verdict, its places and the cautions in it."""
    page = tmp_path / "page.html"
    verdict = farm.json("lookback", farm.case.target, "--html", str(page))["verdict"]
    text = page.read_text(encoding="utf-8")

    assert page.stat().st_size < 1_500_000
    assert not re.search(r"""(src|href)=["'](?!#|data:)""", text)
    assert "<script" not in text
    for each in verdict:
        assert each["text"].split(" (")[0] in text.replace("&#39;", "'")
        assert f'id="{each["place"]}"' in text
    assert all(line in text for line in CAUTIONS)
    assert "<svg" in text


def test_the_tables_hold_what_the_facts_hold(farm: BadBatch, tmp_path: Path) -> None:
    """A zip of CSV files, the same bytes each time."""
    files = [tmp_path / "a.zip", tmp_path / "b.zip"]
    farm.says("lookback", farm.case.target, "--zip", str(files[0]))
    facts = farm.json("lookback", farm.case.target, "--zip", str(files[1]))
    with zipfile.ZipFile(files[0]) as packed:
        rows = {name: list(csv.DictReader(io.StringIO(packed.read(name).decode()))) for name in packed.namelist()}

    assert files[0].read_bytes() == files[1].read_bytes()
    assert [row["cause"] for row in rows["suspects.csv"]] == [each["cause"] for each in facts["suspects"]]
    own = [row for row in rows["phases.csv"] if row["batch"] == farm.case.target]
    assert [row["phase"] for row in own] == [each["phase"] for each in facts["phases"]]
    assert len(rows["batches.csv"]) == 1 + len(facts["beside"])
    assert set(rows) == {
        "verdict.csv", "phases.csv", "doses.csv", "suspects.csv", "compared.csv", "batches.csv", "nudges.csv",
        "pours.csv",
    }  # fmt: skip


def test_siblings_come_before_earlier_batches(farm: BadBatch) -> None:
    """Each with why it stands there; the batch itself does not."""
    beside = farm.json("lookback", farm.case.target)["beside"]
    order = [[each.value for each in Beside].index(row["why"]) for row in beside]

    assert order == sorted(order)
    assert farm.case.target not in [row["batch"] for row in beside]
    assert len(beside) <= 20


def test_what_a_person_typed_is_escaped(farm: BadBatch, tmp_path: Path) -> None:
    """A why with a tag in it stays text."""
    farm.says("outcome", farm.case.target, "--why", "<script>alert(1)</script>")
    page = tmp_path / "page.html"
    farm.says("lookback", farm.case.target, "--html", str(page))

    assert "<script" not in page.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in page.read_text(encoding="utf-8")


def test_the_model_can_be_read_and_changed(farm: BadBatch) -> None:
    """It is printed as it is shipped, and one beside farm.toml stands for it."""
    model = farm.says("lookback", "--model")
    own = farm.path.parent / "suspects.toml"
    own.write_text(model.replace("harmful = 6.5\n", "harmful = 650.0\n"), encoding="utf-8")
    try:
        first = farm.json("lookback", farm.case.target)["suspects"][0]["cause"]
    finally:
        own.unlink()

    assert first != "dried out while covered"


def test_a_batch_without_any_sensor_or_neighbour_says_so(tmp_path: Path) -> None:
    """Nothing is known but the entries, and that is said."""
    from tests.monitor.cli.test_hold_commands import Cellar

    cellar = Cellar(tmp_path)
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    assert "no batch is noted as poor" in cellar.refuses("lookback")
    cellar.to(12)
    cellar.says("discard", "1", "--why", "slime")
    said = cellar.says("lookback", "1")

    assert "It cannot tell about" in said
    assert "4 of 4 trays thrown away" in said
    assert "too few" in said
    assert "is not sold" in said


def test_nudges_are_told_once_each_with_what_came_of_them() -> None:
    """Told twice it is one asking; what nobody did stays open; a not yet is kept."""
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "radish", 4)
    book.add(EntryKind.NOT_YET, book.at("2026-03-04", "08:00"), data={"task": "uncover", "until": None})
    book.add(EntryKind.UNCOVERED, book.at("2026-03-05", "07:40"))
    sent = [
        asked("1|uncover|germination|2026-03-02", book.at("2026-03-04", "07:30")),
        asked("1|uncover|germination|2026-03-02", book.at("2026-03-05", "07:30")),
        asked("1|water|light|2026-03-07", book.at("2026-03-07", "07:30")),
        asked("2|water|light|2026-03-07", book.at("2026-03-07", "07:30")),
    ]
    found = nudges_of(fold(book.entries)["1"], sent)

    assert [(each.task, each.times) for each in found] == [("uncover", 2), ("water", 1)]
    assert found[0].done_at == book.at("2026-03-05", "07:40")
    assert found[0].put_off_at == book.at("2026-03-04", "08:00")
    assert found[1].done_at is None


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (0.19, "share under the profile's least", "19 % under the profile's least"),
        (1.0, "days beyond the latest", "1 day beyond the latest"),
        (33.2, "h at or under the wilting point", "33 h at or under the wilting point"),
    ],
)
def test_doses_are_said_as_a_person_would(value: float, unit: str, words: str) -> None:
    """Shares as percentages, one day as one day."""
    assert dose_words(value, unit) == words
