"""The page of a grow: as data first, as HTML once; what a person typed is escaped."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from dashboards.report import build_report, render
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import Book, farm, sensor_text


def test_a_batch_is_told_from_its_entries_and_readings(tmp_path: Path) -> None:
    """Phases, harvest per tray, and a picture that says in words what it shows."""
    where = farm(tmp_path, more=sensor_text("air", "temperature", "cellar"))
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "radish", 4)
    book.add(EntryKind.UNCOVERED, sown_at + timedelta(days=2))
    book.add(EntryKind.NOTED, sown_at + timedelta(days=3), data={"text": "<script>alert(1)</script>"})
    book.add(EntryKind.HARVESTED, sown_at + timedelta(days=8), trays=4, data={"grams": 1200})
    store = SqliteReadingStore(tmp_path / "readings.db")
    rows = [Reading(sensor="air", measured_at=sown_at + timedelta(hours=n), value=20 + n % 3) for n in range(0, 190)]
    store.append(Block.from_readings(rows))

    report = build_report(
        where,
        shipped_profiles(),
        fold(book.entries),
        [],
        store,
        now=sown_at + timedelta(days=9),
        is_simulated=False,
    )
    html = render(report)
    store.close()

    (batch,) = report.batches
    assert batch.facts == ("No seed lot entered", "Trays: 4 cut", "Cut 1.2 kg, 300 g a tray")
    assert [phase for _, phase, _ in batch.phases][:2] == ["germination", "blackout"]
    assert "Temperature 20.0 to 22.0 °C, mean 21.0" in batch.picture_says
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "Simulated" not in html
    assert "food-safety rules" in html
    assert "Simulated" in render(replace(report, is_simulated=True))
    assert 'id="clip' not in html  # two pictures in one page would share it
