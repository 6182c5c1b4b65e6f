"""Sow, Alarms, Ahead, Labels and Calendar in a real browser, on the real service."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

import pypdfium2
import zxingcpp
from playwright.sync_api import Browser, expect

from alerts.alarms_sql import SqlAlarms
from monitor.ledger import EntryKind, NewEntry
from tests.support.browser import Served, axe_faults, served, until, visit
from tests.support.busy import alarm
from tests.support.houses import NOW

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("browser")]
expect.set_options(timeout=15_000)  # a busy machine, not a slow page
PAGES = (
    "/sow",
    "/sow?look=1&crop=radish&trays=8&grams=90&treated=yes",
    "/sow?look=1&crop=nothing&trays=8",
    "/alarms",
    "/ahead",
    "/labels",
    "/labels/print?batch=1&size=70x37",
    "/calendar",
    "/lookback",
    "/lookback/1",
    "/season",
    "/trace?batch=1",
)
SMALL = """[...document.querySelectorAll("main :is(a, button, select, summary, input:not([type=hidden]))")]
  .filter(e => e.tagName != "A" || getComputedStyle(e).display != "inline")
  .map(e => [(e.closest("label") || e).getBoundingClientRect(), e])
  .filter(([box, e]) => box.width && box.height < 47.5)
  .map(([box, e]) => e.outerHTML.slice(0, 100))"""


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Served]:
    """Return a served farm: radish that stands, basil on hold, a promise that lacks trays, two alarms."""
    with served(tmp_path, now=NOW, broker=False) as found:
        found.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
        found.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=3)
        hold = NewEntry(kind=EntryKind.HELD, at=NOW, by="ines", batch="2", data={"why": "the bag smelled"})
        terms = {"promise": "P1", "crop": "radish", "for": "2026-03-20", "whom": "the corner table", "living": False}
        promised = NewEntry(kind=EntryKind.PROMISED, at=NOW, by="ines", trays=9, data={**terms, "every_days": None})
        found.enter(hold, promised)
        cold = alarm(NOW)
        stays = alarm(NOW - timedelta(hours=1), rule="room stays too cold", batch=None)
        SqlAlarms(found.service.ledger.engine).save([cold, stays])
        yield found


def test_a_batch_is_sown_by_taps(farm: Served, browser: Browser) -> None:
    """Typed with the crop's first letters, looked at, saved; then its labels, and the code's page opens."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        page.get_by_role("link", name="Sow", exact=True).tap()
        options = page.locator("#crops option")
        expect(options.first).to_be_attached()
        page.get_by_label("Crop").fill("Radish")
        page.get_by_label("Trays", exact=True).fill("8")
        page.get_by_label("Where").select_option("cellar/2/1")
        page.get_by_role("button", name="Show its days").tap()
        expect(page.get_by_text("35 g of seed in each tray, 280 g in all.")).to_be_visible()
        expect(page.locator(".daylist li")).to_have_count(5)
        assert len(farm.entries(EntryKind.SOWN)) == 2
        page.get_by_role("button", name="It is sown").tap()
        expect(page.get_by_text("Noted: batch 3, 8 trays of radish")).to_be_visible()
        page.get_by_role("link", name="Print its labels").tap()
        expect(page.get_by_role("checkbox", name="Radish, batch 3")).to_be_checked()
        expect(page.get_by_role("checkbox", name="Radish, batch 1")).not_to_be_checked()

        assert [entry.trays for entry in farm.entries(EntryKind.SOWN)] == [6, 4, 8]
        assert phone.errors == []


def test_a_label_is_scanned_and_the_batch_uncovered_within_five_seconds(farm: Served, browser: Browser) -> None:
    """Printed from the page, read by a scanner library, opened, tapped: from the scan to the entry, no typing."""
    data = {"weight_kg": 5, "order": 1}
    farm.enter(
        NewEntry(kind=EntryKind.STACKED, at=NOW - timedelta(days=2), by="ines", batch="1", stack="S1", data=data)
    )
    with visit(browser, wide=True) as desk:
        desk.page.goto(f"{farm.url}/labels?batch=1")
        with desk.page.expect_navigation():  # a page that is on its way to another cannot be printed
            desk.page.get_by_role("button", name="Show the page to print").click()
        printed = desk.page.pdf(prefer_css_page_size=True, print_background=True)
        assert desk.errors == []
    with pypdfium2.PdfDocument(printed) as paper:
        (scanned, *rest) = zxingcpp.read_barcodes(paper[0].render(scale=200 / 72).to_pil())
    assert len(rest) == 5

    with visit(browser) as phone:
        began = time.monotonic()
        phone.page.goto(scanned.text)
        phone.page.get_by_role("button", name="Uncovered", exact=True).first.tap()
        until(lambda: len(farm.entries(EntryKind.UNCOVERED)) == 1)
        took_s = time.monotonic() - began

    assert farm.entries(EntryKind.UNCOVERED)[0].batch == "1"
    assert took_s < 5


def test_an_alarm_is_seen_and_one_put_aside(farm: Served, browser: Browser) -> None:
    """One tap, nothing reloaded; the other for four hours, with a reason; the page says both at once."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(f"{farm.url}/alarms")
        page.evaluate("window.stayed = true")
        cold = page.locator(".line", has_text="Too cold, cellar").first
        cold.get_by_role("button", name="I have seen it").tap()
        expect(cold.get_by_text("wrong now, ines is on it")).to_be_visible()
        assert page.evaluate("window.stayed") is True

        stays = page.locator(".line", has_text="Room stays too cold")
        stays.get_by_text("Put it aside for a time").tap()
        stays.get_by_label("For how long").first.select_option("4h")
        stays.get_by_label("Why", exact=True).fill("door open for cleaning")
        stays.get_by_role("button", name="Put it aside").tap()
        expect(page.get_by_text("put aside until Wed 4 Mar 13:00 (door open for cleaning)").first).to_be_visible()

        assert len(farm.entries(EntryKind.HEARD)) == 1
        assert farm.entries(EntryKind.SHELVED)[0].data["why"] == "door open for cleaning"
        assert phone.errors == []


def test_a_promise_is_entered_and_leads_to_its_sowing(farm: Served, browser: Browser) -> None:
    """What stands for it is said at once, and what lacks is one tap from being sown."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(f"{farm.url}/ahead")
        page.get_by_text("Promise something").tap()
        new = page.locator("form", has=page.get_by_role("button", name="Promise it"))
        new.get_by_label("Crop").fill("pea")
        new.get_by_label("Trays", exact=True).fill("4")
        new.get_by_label("For", exact=True).fill("2026-03-25")
        new.get_by_label("For whom").fill("the bakery")
        new.get_by_role("button", name="Promise it").tap()
        expect(page.get_by_text("Noted: promise P2, 4 trays of pea to the bakery on Wed 25 Mar.")).to_be_visible()
        page.locator("#P2").get_by_role("link", name="Sow it").tap()
        expect(page.get_by_label("Trays", exact=True)).to_have_value("4")

        assert farm.entries(EntryKind.PROMISED)[-1].trays == 4
        assert phone.errors == []


def test_an_alarm_that_comes_shows_without_a_reload(farm: Served, browser: Browser) -> None:
    """The page hears that alarms changed."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(f"{farm.url}/alarms")
        expect(page.get_by_text("2 things are wrong now.")).to_be_visible()
        until(lambda: farm.bell.listeners == 1)
        SqlAlarms(farm.service.ledger.engine).save([alarm(NOW, rule="too damp", batch="1")])
        farm.bell.ring("alarms")

        expect(page.get_by_text("3 things are wrong now.")).to_be_visible()


def test_without_a_script_and_by_keyboard_alone(farm: Served, browser: Browser) -> None:
    """Sown with Tab and Enter, in a browser that runs no script."""
    with visit(browser, wide=True, script=False) as desk:
        page = desk.page
        page.goto(f"{farm.url}/sow")
        page.get_by_label("Crop").focus()
        page.keyboard.type("Pea")
        page.keyboard.press("Tab")
        page.keyboard.type("3")
        page.keyboard.press("Enter")
        expect(page.get_by_text("3 trays of pea, as batch 3.")).to_be_visible()
        button = page.get_by_role("button", name="It is sown")
        for _ in range(30):
            page.keyboard.press("Tab")
            if button.evaluate("e => e === document.activeElement"):
                break
        page.keyboard.press("Enter")
        expect(page.get_by_text("Noted: batch 3, 3 trays of pea")).to_be_visible()
        assert farm.entries(EntryKind.SOWN)[-1].trays == 3


@pytest.mark.parametrize("dark", [False, True], ids=["by day", "by night"])
def test_axe_finds_nothing_and_nothing_is_too_small_or_too_wide(farm: Served, browser: Browser, dark: bool) -> None:
    """On a phone of 360 px, with every fold open: no fault, no target under 48 px, no sideways scrolling, no error."""
    faults: list[str] = []
    with visit(browser, dark=dark) as phone:
        for path in PAGES:
            phone.page.goto(farm.url + path)
            phone.page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
            faults += [f"{path}: {fault}" for fault in axe_faults(phone.page)]
            if "print" in path:
                continue  # paper, of a size in mm
            wide = phone.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            faults += [f"{path}: {wide} px too wide"] if wide > 0 else []
            faults += [f"{path}: too small: {each}" for each in phone.page.evaluate(SMALL)]
        phone.page.goto(f"{farm.url}/labels")
        phone.page.get_by_role("button", name="Show the sheet to print").tap()
        expect(phone.page.get_by_role("heading", name="Saltcellar Farm: rounds")).to_be_visible()
        faults += [f"wall sheet: {fault}" for fault in axe_faults(phone.page)]
        faults += phone.errors

    assert faults == []
