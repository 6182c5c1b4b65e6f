"""The wall sheet: as data first, as a page once; what it asks for is what the nudges will ask for."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from dashboards.sheet import WallSheet, build_sheet, render, sheet_lines
from dashboards.sheetlines import line_facts, read_lines
from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import shipped_profiles
from tests.support.farms import Book, farm
from tests.support.stage import Stage, does_it

PROFILES = shipped_profiles()
FIRST = "2026-03-02"


def three_crops(book: Book) -> None:
    """Sow radish, sticky basil and a soaked pea."""
    book.add(EntryKind.SOAKED, book.at(FIRST, "08:30"), "3", data={"crop": "pea", "trays_planned": 6})
    book.sow(book.at(FIRST, "09:00"), "radish", 6, "1", "cellar/1/1")
    book.sow(book.at(FIRST, "09:00"), "basil", 4, "2", "cellar/1/2")
    book.add(EntryKind.DRAINED, book.at(FIRST, "17:20"), "3")
    pea = {"crop": "pea", "tray_kind": "1020"}
    book.add(EntryKind.SOWN, book.at(FIRST, "17:30"), "3", trays=6, spot="cellar/2/1", data=pea)


def sheet_of(book: Book, folder: Path, *, days: int = 7, at: tuple[str, str] = (FIRST, "18:00")) -> WallSheet:
    """Return the sheet of a book at a time."""
    where = farm(folder, zone=str(book.zone))
    return build_sheet(where, PROFILES, book.entries, now=book.at(*at), days=days)


@pytest.mark.parametrize(("zone", "first"), [("Europe/Lisbon", "2026-03-02"), ("Pacific/Auckland", "2026-03-31")])
def test_the_sheet_asks_for_what_the_nudges_ask_for(tmp_path: Path, zone: str, first: str) -> None:
    """Over ten days, where all is done as asked and harvests wait for their last day; also over a clock change."""
    book = Book(zone)
    book_at = book.at(first, "18:00")
    entries = [
        NewEntry(kind=EntryKind.SOWN, at=book.at(first, "09:00"), by="ines", batch=batch, trays=trays, spot=spot,
                 data={"crop": crop, "tray_kind": "1020"})
        for batch, crop, trays, spot in (("1", "radish", 6, "cellar/1/1"), ("2", "basil", 4, "cellar/1/2"))
    ]  # fmt: skip
    stage = Stage(farm(tmp_path, zone=zone), tmp_path / "data", since=book.at(first, "06:00"))
    stage.enter(*entries)
    sheet = build_sheet(stage.farm, PROFILES, stage.ledger.entries(), now=book_at, days=6)

    def answer(at: object, kind: str, batch: str) -> NewEntry | None:
        return None if kind == "harvest" else does_it(stage.told[-1][0], kind, batch)

    stage.play(book_at, book.at(first, "23:00") + timedelta(days=5), answer)

    told = [(at, kind, batch) for at, kind, batch in stage.told]
    assert sorted((line.at, line.kind.value, line.batch) for line in sheet.lines) == sorted(told)
    stage.close()


def test_days_ahead_follow_from_what_is_asked_before(tmp_path: Path) -> None:
    """Uncovered on day 2, the radish is asked for its blackout's end on day 3, and cut from day 6 on."""
    book = Book()
    three_crops(book)

    sheet = sheet_of(book, tmp_path)

    radish = [
        (line.at.day, line.kind.value) for line in sheet.lines if line.batch == "1" and line.kind.value != "water"
    ]
    assert radish == [(4, "uncover"), (5, "end blackout"), (8, "harvest")]
    assert [line.number for line in sheet.lines] == list(range(1, len(sheet.lines) + 1))
    uncover = next(line for line in sheet.lines if line.batch == "1" and line.kind.value == "uncover")
    assert uncover.words == (
        "Uncover: weight off, lift each tray straight up, back to rack 1 shelf 1, each under its own blackout cover, "
        "no water yet. Most not up yet: back under the weight and write N."
    )


def test_a_soak_stands_at_its_own_hour(tmp_path: Path) -> None:
    """Between the rounds."""
    book = Book()
    book.add(EntryKind.SOAKED, book.at(FIRST, "08:30"), "3", data={"crop": "pea", "trays_planned": 6})

    sheet = sheet_of(book, tmp_path, at=(FIRST, "09:00"), days=1)

    (line,) = sheet.lines
    assert line.kind.value == "drain"
    assert book.at(FIRST, "09:00") < line.at < book.at(FIRST, "23:00")
    assert line.at not in (book.at(FIRST, "07:30"), book.at(FIRST, "17:00"))


def test_what_is_on_hold_stands_first_and_is_not_asked_to_be_cut(tmp_path: Path) -> None:
    """In the lines and on the page."""
    book = Book()
    three_crops(book)
    book.add(EntryKind.HELD, book.at(FIRST, "17:45"), "1", data={"why": "<i>fuzz</i>"})

    sheet = sheet_of(book, tmp_path)
    html = render(sheet)

    assert not [line for line in sheet.lines if line.batch == "1" and line.asks_grams]
    assert sheet_lines(sheet)[0] == "ON HOLD: do not cut, do not deliver"
    assert html.index("ON HOLD: do not cut, do not deliver") < html.index("<h1>")
    assert "&lt;i&gt;fuzz" in html
    assert "<i>fuzz" not in html


def test_a_stand_in_is_named_on_the_days_of_the_cover(tmp_path: Path) -> None:
    """Beside the day."""
    book = Book()
    three_crops(book)
    data = {"person": "ines", "standin": "tomek", "from": "2026-03-04", "to": "2026-03-04", "note": ""}
    book.add(EntryKind.COVER, book.at(FIRST, "17:45"), None, data=data)

    sheet = sheet_of(book, tmp_path)

    assert {each.title[:9]: each.who for each in sheet.rounds}["Wed 4 Mar"] == "tomek"
    assert {each.title[:9]: each.who for each in sheet.rounds}["Thu 5 Mar"] == "ines"


def test_lines_are_kept_and_read_back_whole(tmp_path: Path) -> None:
    """What is stored for `enter` is the same line again."""
    book = Book()
    three_crops(book)
    lines = sheet_of(book, tmp_path).lines

    back = read_lines([line_facts(line) for line in lines])

    assert back == tuple(replace(line, water_ml=float(round(line.water_ml))) for line in lines)


def test_cautions_stand_once_with_the_crops_that_they_are_for(tmp_path: Path) -> None:
    """What holds for every crop first; basil's cold hurt is basil's."""
    book = Book()
    book.sow(book.at(FIRST, "09:00"), "kale", 6, "1", "cellar/1/1")
    book.sow(book.at(FIRST, "09:00"), "broccoli", 6, "2", "cellar/1/2")
    book.sow(book.at(FIRST, "09:00"), "basil", 6, "3", "cellar/1/3")

    care = sheet_of(book, tmp_path, days=14).care

    assert len(care) == len(set(care))
    assert care[0].startswith("A stack under its weight is heavy")
    assert [text for text in care if text.startswith("Kale and broccoli: ")]
    assert [text for text in care if text.startswith("Sweet basil: not under 12")]


def test_an_empty_farm_has_an_empty_sheet(tmp_path: Path) -> None:
    """And says so."""
    sheet = sheet_of(Book(), tmp_path)

    assert "Nothing is asked on these days." in sheet_lines(sheet)
    assert "Nothing is asked on these days." in render(sheet)
