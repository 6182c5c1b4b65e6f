"""Racks, Batch and Sensors in a real browser, on the real service fed by a real broker."""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from PIL import Image
from playwright.sync_api import Browser, Page, expect

from monitor.ledger import EntryKind, NewEntry
from monitor.readings import Block, Flag, Reading
from monitor.stores.photos import read_photo
from tests.support.browser import Served, axe_faults, served, until, visit
from tests.support.houses import NOW

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("browser")]
PATHS = (
    "/racks",
    "/batch/1",
    "/batch/2",
    "/sensors",
    "/sensors/cellar-air",
    "/sensors/cellar-damp",
    "/sensors/scale-1",
)
SMALL = """() => [...document.querySelectorAll(
  "button, summary, select, textarea, input:not([type=hidden], [type=checkbox], [type=radio]), nav a, h2 a, h4 a"
)].filter((each) => each.getClientRects().length)
  .map((each) => [each.outerHTML.slice(0, 90), each.getBoundingClientRect().height])
  .filter(([, high]) => high < 47.5)"""


@pytest.fixture(scope="module")
def browser(browser: Browser) -> Iterator[Browser]:
    """Return Chromium, with more patience: the first drawing of a process takes seconds on a busy machine."""
    expect.set_options(timeout=20_000)
    yield browser
    expect.set_options(timeout=5_000)


def fill(farm: Served) -> None:
    """Sow a farm, stack one batch, hold another, and let its sensors have spoken for two days."""
    farm.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    farm.sow("2", "sunflower", 4, "cellar/1/2", days_ago=10)
    farm.sow("3", "pea", 2, "cellar/2/1", days_ago=7)
    at = farm.clock() - timedelta(days=2)
    farm.enter(
        NewEntry(kind=EntryKind.STACKED, at=at, by="ines", batch="1", stack="S1", data={"weight_kg": 5}),
        NewEntry(kind=EntryKind.HELD, at=farm.clock(), by="ines", batch="3", data={"why": "smell"}),
    )
    rows = [
        Reading(
            sensor=name,
            measured_at=farm.clock() - timedelta(minutes=10 * n),
            value=base + (n % 7) / 4,
            flag=Flag.PASS if n % 50 else Flag.FAIL,
        )
        for name, base in (("cellar-air", 20.0), ("cellar-damp", 55.0), ("scale-1", 1600.0))
        for n in range(288, 0, -1)
    ]
    block = Block.from_readings(rows)
    farm.service.store.append(block)
    farm.service.live.take(block)
    farm.service.scales.take(block)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Return a served farm without a broker."""
    with served(tmp_path_factory.mktemp("room"), now=NOW, broker=False) as found:
        fill(found)
        yield found


def test_a_reading_over_mqtt_shows_on_racks_within_two_seconds(tmp_path: Path, browser: Browser) -> None:
    """Published by a client that is not ours, through a real broker; nothing is reloaded."""
    with served(tmp_path) as farm, visit(browser) as phone:
        farm.sow("1", "radish", 6, "cellar/1/1", days_ago=5)
        phone.page.goto(f"{farm.url}/racks")
        phone.page.evaluate("window.stayed = true")
        expect(phone.page.get_by_text("air not heard")).to_be_visible()
        until(lambda: farm.bell.listeners >= 1)

        began = time.perf_counter()
        farm.publish("saltcellar/air", 21.5)
        expect(phone.page.locator(".gauge", has_text="air")).to_contain_text("21.5 °C", timeout=10_000)
        seconds = time.perf_counter() - began

        assert seconds < 2.0
        assert phone.page.evaluate("window.stayed") is True
        assert phone.errors == []


def test_a_batch_is_uncovered_and_watered_by_taps(tmp_path: Path, browser: Browser) -> None:
    """The likeliest deed is one tap; the page follows without a reload; another phone sees it too."""
    with served(tmp_path, now=NOW, broker=False) as farm, visit(browser) as phone, visit(browser) as other:
        fill(farm)
        page = phone.page
        other.page.goto(f"{farm.url}/batch/1")
        page.goto(f"{farm.url}/batch/1")
        page.evaluate("window.stayed = true")
        page.get_by_role("button", name="Uncovered").tap()
        expect(page.locator("#line")).to_contain_text("6 trays of batch 1 radish uncovered")
        expect(other.page.locator(".says")).to_contain_text("blackout")
        page.get_by_role("button", name="Read").tap()
        page.get_by_text("Watered from below", exact=True).tap()
        page.get_by_label("Into each tray, ml").fill("250")
        page.get_by_role("button", name="Watered").tap()
        expect(page.locator("#line")).to_contain_text("watered with 250 ml each")
        expect(page.locator(".just")).to_contain_text("watered")
        page.get_by_role("button", name="Take it back").tap()
        expect(page.locator(".log .gone")).to_have_count(1)

        kinds = [entry.kind.value for entry in farm.entries()][5:]
        assert kinds == ["uncovered", "watered", "withdrawn"]
        assert page.evaluate("window.stayed") is True
        assert phone.errors == other.errors == []


def test_a_note_comes_with_a_photo(tmp_path: Path, browser: Browser) -> None:
    """Taken with the phone, kept small beside the ledger, shown in the log."""
    written = io.BytesIO()
    Image.new("RGB", (3000, 2000), "green").save(written, "JPEG")
    with served(tmp_path, now=NOW, broker=False) as farm, visit(browser) as phone:
        fill(farm)
        page = phone.page
        page.goto(f"{farm.url}/batch/2")
        page.get_by_text("A note, a photo", exact=True).tap()
        page.get_by_label("What you see").fill("even, dark green")
        page.get_by_label("Photo").set_input_files(
            {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": written.getvalue()}
        )
        page.get_by_role("button", name="Keep it").tap()
        shown = page.locator("img.photo")
        shown.scroll_into_view_if_needed()
        expect(shown).to_have_js_property("naturalWidth", 1600)

        (entry,) = farm.entries(EntryKind.NOTED)
        assert entry.data["text"] == "even, dark green"
        assert read_photo(str(entry.data["photo"]), farm.farm.storage.folder)
        assert phone.errors == []


def test_the_days_are_drawn_inline_after_the_words(farm: Served, browser: Browser) -> None:
    """The words stand first; the drawing follows, in the theme's own colours, under the strict policy."""
    for dark, ink in ((False, "rgb(29, 24, 34)"), (True, "rgb(243, 236, 224)")):
        with visit(browser, dark=dark) as phone:
            page = phone.page
            page.goto(f"{farm.url}/batch/2")
            expect(page.locator("figure.days > svg")).to_be_visible()

            colour = page.locator("figure.days > svg text").first.evaluate("(each) => getComputedStyle(each).fill")
            assert colour == ink
            assert page.locator("figure.days > svg").get_attribute("aria-hidden") == "true"
            assert "mean" in (page.locator("figure.days details p").text_content() or "")
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            assert phone.errors == []


def test_without_script_there_is_an_image_and_every_form_works(farm: Served, browser: Browser) -> None:
    """The picture with its words; a pour is entered, the page comes again and says so."""
    with visit(browser, script=False) as phone:
        page = phone.page
        page.goto(f"{farm.url}/batch/2")
        image = page.locator("figure.days img")
        assert "Batch 2 sunflower" in (image.get_attribute("alt") or "")
        image.scroll_into_view_if_needed()
        page.wait_for_load_state("networkidle")
        assert image.bounding_box() is not None
        assert image.evaluate("(each) => each.naturalWidth") > 300

        page.get_by_text("Lifted by hand", exact=True).tap()
        page.get_by_label("It feels").select_option("light")
        page.get_by_role("button", name="Lifted").tap()
        expect(page.locator(".said")).to_contain_text("lifted: light")


def test_by_keyboard_alone(farm: Served, browser: Browser) -> None:
    """Down to a folded form, open it, fill it in, send it: Tab, Enter, letters."""
    with visit(browser, wide=True) as desk:
        page = desk.page
        page.goto(f"{farm.url}/batch/2")
        page.locator("summary", has_text="Weighed").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("2140")
        page.keyboard.press("Enter")
        expect(page.locator("#line")).to_contain_text("weighed at 2.14 kg")

        assert farm.entries(EntryKind.WEIGHED)[-1].data["grams"] == 2140
        assert desk.errors == []


@pytest.mark.parametrize("dark", [False, True], ids=["by day", "by night"])
def test_nothing_hinders_anybody(farm: Served, browser: Browser, *, dark: bool) -> None:
    """axe-core finds nothing, everything to tap is 48 px high, nothing is wider than a phone, no console error."""
    with visit(browser, dark=dark) as phone:
        for path in PATHS:
            phone.page.goto(farm.url + path)
            if "/batch" in path:
                expect(phone.page.locator("figure.days > svg")).to_be_visible()
            open_all(phone.page)

            assert axe_faults(phone.page) == [], path
            assert phone.page.evaluate(SMALL) == [], path
            assert phone.page.evaluate("document.documentElement.scrollWidth") <= 360, path
        assert phone.errors == []


def open_all(page: Page) -> None:
    """Unfold everything."""
    page.evaluate("for (const each of document.querySelectorAll('details')) each.open = true")
