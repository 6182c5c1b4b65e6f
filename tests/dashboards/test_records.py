"""The records of some days: as data first, as page and table once; nothing is left out, nothing run as a formula."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

from dashboards.records import COLD_STORE, HAND_OVER, SECTIONS, RecordsPage, build_records, page_lines, render, to_csv
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from tests.support.farms import Book, farm

PROFILES = shipped_profiles()


def a_week() -> Book:
    """Return a book with one entry under each heading, between 2 and 8 March."""
    book = Book()
    book.add(
        EntryKind.LOT,
        book.at("2026-03-02", "08:00"),
        None,
        data={
            "lot": "R-77",
            "crop": "radish",
            "grams": 2500,
            "supplier": "the seed shed",
            "treated": False,
            "packed_on": "2025-11-03",
            "use_by": None,
        },
    )
    sown = {"crop": "radish", "lot": "R-77", "seed_g_per_tray": 35, "treated": False}
    book.add(EntryKind.SOWN, book.at("2026-03-02"), trays=8, spot="cellar/1/1", data=sown)
    book.add(EntryKind.WATERED, book.at("2026-03-05"), data={"ml_per_tray": 200})
    book.add(EntryKind.HARVESTED, book.at("2026-03-08", "08:00"), trays=4, data={"grams": 1480})
    book.add(
        EntryKind.DELIVERED,
        book.at("2026-03-08", "09:00"),
        trays=3,
        data={"whom": "the corner table", "living": False, "grams": 1100},
    )
    book.add(EntryKind.DISCARDED, book.at("2026-03-08", "10:00"), trays=1, data={"why": "<b>fuzz</b>"})
    book.add(EntryKind.HELD, book.at("2026-03-08", "11:00"), None, data={"lot": "R-77", "why": "recalled"})
    book.add(EntryKind.CLEANED, book.at("2026-03-08", "12:00"), None, spot="cellar/1/1", data={"with": "hot water"})
    book.add(
        EntryKind.RECORDED, book.at("2026-03-08", "13:00"), None, spot="cold", data={"what": COLD_STORE, "temp_c": 3.44}
    )
    book.add(EntryKind.RECORDED, book.at("2026-03-08", "14:00"), None, data={"what": "water test", "text": "slip 17"})
    book.add(EntryKind.RECORDED, book.at("2026-03-08", "15:00"), None, data={"what": HAND_OVER, "text": "=1+1 door"})
    return book


def page_of(folder: Path, book: Book) -> RecordsPage:
    """Return the records of that week, asked for on the day after."""
    return build_records(
        farm(folder),
        PROFILES,
        fold(book.entries),
        book.entries,
        from_on=date(2026, 3, 2),
        to_on=date(2026, 3, 8),
        now=book.at("2026-03-09"),
    )


def test_every_heading_has_its_row_and_the_watering_none(tmp_path: Path) -> None:
    """Each entry that others ask for once, with batch, crop, lot, trays, amount, place, buyer and name."""
    book = a_week()

    page = page_of(tmp_path, book)

    assert [section.title for section in page.sections] == list(SECTIONS)
    assert [len(section.rows) for section in page.sections] == [1] * 10
    rows = {section.title: section.rows[0] for section in page.sections}
    delivery = rows["Deliveries"]
    assert (delivery.batch, delivery.crop, delivery.lot, delivery.trays) == ("1", "radish", "R-77", "3")
    assert (delivery.amount, delivery.whom, delivery.by) == ("1.1 kg", "the corner table", "ines")
    assert rows["Sowings"].amount == "280 g seed"
    assert rows["Cold store"].amount == "3.4 °C"
    assert rows["Cold store"].place == "the cold store"
    assert "untreated, packed 2025-11-03" in rows["Seed lots"].what


def test_days_are_local_and_both_ends_are_included(tmp_path: Path) -> None:
    """The last minute of the last day in a far zone; the next minute is out."""
    book = Book("Pacific/Auckland")
    for day, clock in (
        ("2026-03-01", "23:59"),
        ("2026-03-02", "00:00"),
        ("2026-03-03", "23:59"),
        ("2026-03-04", "00:00"),
    ):
        book.add(EntryKind.RECORDED, book.at(day, clock), None, data={"what": HAND_OVER, "text": f"{day} {clock}"})

    page = build_records(
        farm(tmp_path, zone="Pacific/Auckland"),
        PROFILES,
        {},
        book.entries,
        from_on=date(2026, 3, 2),
        to_on=date(2026, 3, 3),
        now=book.at("2026-03-09"),
    )

    assert [row.what for row in page.sections[-1].rows] == ["2026-03-02 00:00", "2026-03-03 23:59"]
    assert page.sections[-1].rows[0].at == "2026-03-02T00:00+13:00"


def test_corrections_are_shown_and_what_they_replace_is_counted(tmp_path: Path) -> None:
    """The page has what holds; it says how many rows the book keeps beside."""
    book = a_week()
    book.add(EntryKind.HARVESTED, book.at("2026-03-08", "08:00"), trays=4, data={"grams": 1280}, corrects=4)
    book.add(EntryKind.WITHDRAWN, book.at("2026-03-08", "16:00"), None, corrects=11)

    page = page_of(tmp_path, book)

    (harvest,) = next(section.rows for section in page.sections if section.title == "Harvests")
    assert (harvest.amount, harvest.corrects) == ("1.28 kg", "4")
    assert page.replaced == 2
    lines = page_lines(page)
    assert lines[-1].startswith("2 entries of these days were corrected or withdrawn")
    assert "  nothing was entered" in lines


def test_page_and_table_say_what_they_are_not_and_run_nothing(tmp_path: Path) -> None:
    """What was typed is escaped on the page, and no formula in the table."""
    book = a_week()
    page = page_of(tmp_path, book)

    html = render(page)
    rows = list(csv.DictReader(io.StringIO(to_csv(page))))

    assert "It is no certificate" in html
    assert "&lt;b&gt;fuzz&lt;/b&gt;" in html
    assert "<b>fuzz" not in html
    assert len(rows) == 10
    assert rows[-1]["what"] == "'=1+1 door"
    assert [row["entry"] for row in rows if row["section"] == "Deliveries"] == ["5"]
