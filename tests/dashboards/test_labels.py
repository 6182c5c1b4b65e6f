"""Tray labels: as data, as a printed sheet in a real browser, and their codes as a scanner reads them."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from playwright.sync_api import Browser

from alerts.findings import Tick
from dashboards.labels import SHEETS, Label, LabelPages, label_css, label_sheet, labels_facts, labels_for, render
from monitor.errors import NotFoundError, RefusedError
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind, effective
from monitor.live import LiveBuffer
from tests.support.farms import Book, farm
from tests.support.stage import PROFILES

BASE = "https://saltcellar.example"
LONGEST = max(PROFILES.values(), key=lambda profile: len(profile.name))


def tick(book: Book, now: datetime) -> Tick:
    """Return a moment of Saltcellar Farm."""
    return Tick(
        now=now,
        farm=farm(Path("unused")),
        profiles=PROFILES,
        batches=fold_as_of(book.entries, now),
        live=LiveBuffer(),
        watching_since=now,
        entries=effective(book.entries),
    )


def three_batches() -> Book:
    """Return radish of a lot, basil on hold, and the crop of the longest name, with letters that need escaping."""
    book = Book()
    at = book.at("2026-03-02")
    data = {"crop": "radish", "tray_kind": "1020", "lot": "R-77 <b>&"}
    book.add(EntryKind.SOWN, at, "1", trays=8, spot="cellar/1/1", data=data)
    book.sow(at, "basil-thai", 3, "2", "cellar/1/2")
    book.add(EntryKind.HELD, book.at("2026-03-02", "10:00"), "2", data={"why": "the bag smelled"})
    long = {"crop": LONGEST.id, "tray_kind": "1020", "lot": "2026-SPRING-00417/B"}
    book.add(EntryKind.SOWN, at, "3", trays=2, spot="cellar/1/3", data=long)
    return book


def pages(size: str, *wanted: tuple[str, int | None], skip: int = 0) -> LabelPages:
    """Return labels of the three batches."""
    book = three_batches()
    return labels_for(wanted, label_sheet(size), tick(book, book.at("2026-03-02", "11:00")), base=BASE, skip=skip)


def labels(made: LabelPages) -> list[Label]:
    """Return all labels of the pages."""
    return [label for page in made.pages for label in page if label is not None]


def test_a_label_says_what_the_tray_is_and_what_comes() -> None:
    """Crop, batch, lot, sowing day, and each move on its usual day; one label for each tray that stands."""
    made = pages("70x37", ("1", None))

    assert len(labels(made)) == 8
    label = labels(made)[0]
    assert (label.crop, label.batch, label.lot, label.sown) == ("Radish", "1", "R-77 <b>&", "Mon 2 Mar")
    assert [(day.what, day.when) for day in label.days] == [
        ("Uncover", "Wed 4 Mar"),
        ("Light", "Thu 5 Mar"),
        ("Cut", "Sun 8 Mar to Thu 12 Mar"),
    ]
    assert label.hold == ""


def test_what_is_on_hold_says_so_first_and_has_no_day_to_cut() -> None:
    """The words of the rounds, before the crop."""
    made = pages("70x37", ("2", 1))
    html = render(made)

    assert labels(made)[0].hold == "ON HOLD: do not cut, do not deliver"
    assert "Cut" not in [day.what for day in labels(made)[0].days]
    assert 0 < html.index("ON HOLD: do not cut") < html.index("<h2>Thai basil</h2>")


def test_what_a_person_typed_is_escaped() -> None:
    """A lot with marks of HTML in it."""
    html = render(pages("70x37", ("1", 1)))

    assert "R-77 &lt;b&gt;&amp;" in html
    assert "R-77 <b>" not in html


def test_a_sheet_that_was_begun_goes_on() -> None:
    """Three used places stay empty, and the 22nd label of a page of 24 lies on the next."""
    made = pages("70x37", ("1", 22), skip=3)

    assert [page.count(None) for page in made.pages] == [3, 0]
    assert [len(page) for page in made.pages] == [24, 1]


@pytest.mark.parametrize("size", SHEETS)
def test_labels_fill_the_page_and_no_more(size: str) -> None:
    """Columns and rows lie inside the page, the same margin on both sides, within 0.1 mm."""
    sheet = SHEETS[size]
    right = sheet.margin_mm[0] + (sheet.columns - 1) * sheet.step_mm[0] + sheet.label_mm[0]
    bottom = sheet.margin_mm[1] + (sheet.rows - 1) * sheet.step_mm[1] + sheet.label_mm[1]

    assert sheet.margin_mm[0] >= 0
    assert sheet.margin_mm[1] >= 0
    assert right + sheet.margin_mm[0] == pytest.approx(sheet.page_mm[0], abs=0.1)
    assert bottom + sheet.margin_mm[1] == pytest.approx(sheet.page_mm[1], abs=0.1)
    assert f"size: {sheet.page_mm[0]}mm {sheet.page_mm[1]}mm" in label_css(sheet)


@pytest.mark.parametrize(
    ("size", "wanted", "skip", "error", "words"),
    [
        pytest.param("12x34", ("1", 1), 0, NotFoundError, "there are, in mm: 70x37", id="an unknown size"),
        pytest.param("70x37", ("9", 1), 0, NotFoundError, "no batch '9'", id="an unknown batch"),
        pytest.param("70x37", ("1", 0), 0, RefusedError, "0 labels", id="no label at all"),
        pytest.param("70x37", ("1", 500), 0, RefusedError, "500 labels", id="a slip of the hand"),
        pytest.param("70x37", ("1", 1), 24, RefusedError, "such a page has 24", id="the whole page left out"),
    ],
)
def test_what_cannot_be_printed_is_refused(
    size: str, wanted: tuple[str, int], skip: int, error: type[Exception], words: str
) -> None:
    """With what may be said instead."""
    with pytest.raises(error, match=re.escape(words)):
        pages(size, wanted, skip=skip)


def test_the_facts_name_each_batch_once() -> None:
    """With how often its label is printed."""
    book = three_batches()
    facts: Any = labels_facts(pages("70x37", ("1", 2), ("3", 1)), book.at("2026-03-02"))

    assert facts["schema"] == "traywarden.labels/1"
    assert [(each["batch"], each["times"]) for each in facts["labels"]] == [("1", 2), ("3", 1)]


@pytest.mark.live
@pytest.mark.xdist_group("browser")
@pytest.mark.parametrize("size", SHEETS)
def test_the_printed_sheet_is_read_by_a_scanner(browser: Browser, tmp_path: Path, size: str) -> None:
    """The browser's PDF has the page's size and a page a sheet; at 200 dots an inch each code opens its batch."""
    sheet = SHEETS[size]
    made = pages(size, ("1", 2), ("2", 2), ("3", 2))
    file = tmp_path / "labels.html"
    file.write_text(render(made), encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    page.emulate_media(media="print")
    overflowing = page.eval_on_selector_all(
        ".label",
        "all => all.filter(e => e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1).length",
    )
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    page.close()

    with pypdfium2.PdfDocument(printed) as pdf:
        sizes = [sheet_page.get_size() for sheet_page in pdf]
        images = [sheet_page.render(scale=200 / 72).to_pil() for sheet_page in pdf]
    read = [found.text for image in images for found in zxingcpp.read_barcodes(image)]

    assert overflowing == 0
    assert len(sizes) == len(made.pages)
    assert sizes[0] == pytest.approx([mm / 25.4 * 72 for mm in sheet.page_mm], abs=1.0)
    assert sorted(read) == [f"{BASE}/batch/{batch}" for batch in "112233"]
