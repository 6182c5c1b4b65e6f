"""The pages in a real browser, on the real service fed by a real broker."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, Page, expect

from alerts.tasks import TaskKind
from dashboards.web.links import HOLDS_FOR, Link, link_of
from monitor.clock import ManualClock
from monitor.ledger import EntryKind
from tests.support.browser import Served, axe_faults, served, until, visit
from tests.support.houses import NOW

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("browser")]


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Served]:
    """Return a served farm without a broker: radish to uncover, pea to water, sunflower to cut."""
    with served(tmp_path, now=NOW, broker=False) as found:
        found.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
        found.sow("2", "pea", 4, "cellar/1/2", days_ago=7)
        found.sow("3", "sunflower", 8, "cellar/2/1", days_ago=12)
        yield found


def row(page: Page, start: str) -> str:
    """Return the selector of a line."""
    return f'[data-line^="{start}"]'


def test_a_round_is_walked_by_taps(farm: Served, browser: Browser) -> None:
    """Done, not yet, lifted, cut with its grams, taken back: each by one tap, nothing reloaded."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        page.evaluate("window.stayed = true")
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        page.get_by_role("button", name="Take it back").tap()
        expect(page.locator(row(page, "1|uncover"))).to_have_count(1)
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Not yet").tap()
        expect(page.locator(f".early {row(page, '1|uncover')}")).to_have_count(1)
        page.locator(row(page, "2|water")).get_by_role("button", name="heavy").tap()
        expect(page.locator(row(page, "2|water"))).to_have_count(0)
        cut = page.locator(row(page, "3|harvest"))
        cut.get_by_role("textbox", name="Cut in all, g").fill("1480")
        cut.get_by_role("button", name="Done", exact=True).tap()
        expect(page.locator(row(page, "3|harvest"))).to_have_count(0)

        kinds = [entry.kind.value for entry in farm.entries()][3:]
        assert kinds == ["uncovered", "withdrawn", "not yet", "lifted", "harvested"]
        assert farm.entries(EntryKind.HARVESTED)[0].data["grams"] == 1480
        assert page.evaluate("window.stayed") is True
        assert phone.errors == []


def test_a_whole_round_is_answered_but_for_a_line_left_out(farm: Served, browser: Browser) -> None:
    """The ticked line stays, the harvest without grams stays, and the page says so until it is read."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        page.locator(row(page, "2|water")).get_by_role("checkbox", name="leave out").check()
        page.get_by_role("button", name="The whole round done").tap()

        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        expect(page.locator(row(page, "2|water"))).to_have_count(1)
        expect(page.locator("#line")).to_contain_text("no grams said, so not cut")
        page.get_by_role("button", name="Read").tap()
        expect(page.locator("#line")).to_be_empty()


def test_two_phones_mark_the_same_task(farm: Served, browser: Browser) -> None:
    """What one has done is gone from the other within moments; a tap made at the same time says who was faster."""
    with visit(browser) as first, visit(browser) as second:
        first.page.goto(farm.url)
        second.page.goto(farm.url)
        second.page.route("**/events", lambda route: route.abort())
        second.page.reload()
        second.page.locator(row(second.page, "1|uncover")).wait_for()
        first.page.locator(row(first.page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        expect(first.page.locator(row(first.page, "1|uncover"))).to_have_count(0)
        other = second.page.locator(row(second.page, "1|uncover"))
        if other.count():  # its stream is cut, so that it has not heard yet
            other.get_by_role("button", name="Done", exact=True).tap()
            expect(second.page.locator("#line")).to_contain_text("was faster")

        assert len(farm.entries(EntryKind.UNCOVERED)) == 1


def test_another_phone_hears_of_it_without_a_reload(farm: Served, browser: Browser) -> None:
    """The line goes from a page that nobody touches."""
    with visit(browser) as first, visit(browser) as second:
        first.page.goto(farm.url)
        second.page.goto(farm.url)
        until(lambda: farm.bell.listeners == 2)
        first.page.locator(row(first.page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()

        expect(second.page.locator(row(second.page, "1|uncover"))).to_have_count(0, timeout=3000)


def test_a_tap_made_offline_is_kept_and_sent_once(farm: Served, browser: Browser) -> None:
    """The phone says that the line is lost, keeps the tap through a closed page, and sends it when it is back."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        phone.context.set_offline(True)
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        expect(page.locator("#line")).to_contain_text("No connection")
        expect(page.locator("#line")).to_contain_text("1 answer waits")
        expect(page.locator("#line")).to_be_in_viewport()
        expect(page.locator(row(page, "1|uncover"))).to_contain_text("kept in this phone")
        assert farm.entries(EntryKind.UNCOVERED) == []

        phone.context.set_offline(False)

        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        expect(page.locator("#line")).to_be_empty()
        assert len(farm.entries(EntryKind.UNCOVERED)) == 1
        assert page.evaluate("JSON.parse(localStorage.getItem('traywarden.taps'))") == []


def test_a_kept_tap_can_be_taken_back_before_it_is_sent(farm: Served, browser: Browser) -> None:
    """Nothing of it ever reaches the book."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        phone.context.set_offline(True)
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Take it back").tap()
        phone.context.set_offline(False)

        expect(page.locator("#line")).to_be_empty()
        assert farm.entries(EntryKind.UNCOVERED) == []
        expect(page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True)).to_be_enabled()


def test_an_answer_lost_on_the_way_back_is_not_written_twice(farm: Served, browser: Browser) -> None:
    """The machine took the tap, but the phone never heard: it sends the same tap again."""
    with visit(browser) as phone:
        page = phone.page
        lost: list[int] = []

        def cut(route: object) -> None:
            if not lost:
                lost.append(1)
                route.fetch()  # type: ignore[attr-defined] # taken by the machine
                route.abort()  # type: ignore[attr-defined] # and lost on the way back
            else:
                route.continue_()  # type: ignore[attr-defined]

        page.route("**/taps", cut)
        page.goto(farm.url)
        page.locator(row(page, "2|water")).get_by_role("button", name="Done", exact=True).tap()

        until(lambda: page.evaluate("localStorage.getItem('traywarden.taps')") == "[]")
        assert lost == [1]
        assert len(farm.entries(EntryKind.WATERED)) == 1


def test_a_lost_machine_is_said_and_comes_back_by_itself(farm: Served, browser: Browser) -> None:
    """The pages' server goes and comes again; what changed meanwhile shows without a reload."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        farm.stop_pages()
        expect(page.locator("#line")).to_contain_text("No connection to the farm's machine")
        farm.sow("9", "radish", 3, "cellar/2/3", days_ago=2)

        farm.start_pages()

        expect(page.locator("#line")).to_be_empty()
        expect(page.locator(row(page, "9|uncover"))).to_have_count(1)


def test_without_script_everything_can_be_answered(farm: Served, browser: Browser) -> None:
    """Forms, redirects, and the way back."""
    with visit(browser, script=False) as phone:
        page = phone.page
        page.goto(farm.url)
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        expect(page.get_by_text("batch 1 radish uncovered, 6 trays")).to_be_visible()
        page.get_by_role("button", name="Take it back").tap()
        expect(page.locator(row(page, "1|uncover"))).to_have_count(1)
        page.locator(row(page, "2|water")).get_by_role("checkbox", name="leave out").check()
        page.get_by_role("button", name="The whole round done").tap()

        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        expect(page.locator(row(page, "2|water"))).to_have_count(1)
        expect(page.locator(".said")).to_contain_text("you picked it out")


def test_by_keyboard_alone(farm: Served, browser: Browser) -> None:
    """The first key leads to the page itself; a line is answered by the keyboard and the focus stays on the way."""
    with visit(browser, wide=True) as desk:
        page = desk.page
        page.goto(farm.url)
        page.keyboard.press("Tab")
        expect(page.get_by_role("link", name="To the page itself")).to_be_focused()
        page.keyboard.press("Enter")
        for _ in range(12):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.textContent") == "Done":
                break
        assert page.evaluate("document.activeElement.closest('[data-line]').dataset.line").startswith("1|uncover")
        page.keyboard.press("Enter")

        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        assert page.evaluate("document.activeElement.closest('[data-line]')?.dataset.line").startswith("2|")
        assert len(farm.entries(EntryKind.UNCOVERED)) == 1


@pytest.mark.parametrize("dark", [False, True], ids=["by day", "by night"])
@pytest.mark.parametrize("wide", [False, True], ids=["phone", "desk"])
def test_nothing_is_in_anybodys_way(farm: Served, browser: Browser, wide: bool, dark: bool) -> None:
    """axe-core finds nothing, the console says nothing, the page is not wider than the screen, targets are 48 px."""
    farm.sow("4", "basil", 4, "cellar/2/3", days_ago=9)
    with visit(browser, wide=wide, dark=dark) as who:
        page = who.page
        task = next(task for task in farm.server.house.lookout.moment(NOW).tasks if task.kind is TaskKind.HARVEST)
        link = Link(person="ines", task=task.key, until=NOW + HOLDS_FOR)
        for path in ("/", "/sign-in", "/no-such-page", f"/tap/{link_of(farm.doors, link)}"):
            page.goto(farm.url + path)
            assert axe_faults(page) == []
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            small = page.evaluate(
                "[...document.querySelectorAll('main button, main a, main summary, main label, nav a')]"
                ".filter((each) => each.offsetParent && each.getBoundingClientRect().height < 48)"
                ".map((each) => each.outerHTML.slice(0, 90))"
            )
            assert [each for each in small if "<label" not in each or "checkbox" in each] == []
        assert [error for error in who.errors if "404" not in error] == []


def test_one_request_for_style_and_one_for_script(farm: Served, browser: Browser) -> None:
    """And none to anybody else."""
    with visit(browser) as phone:
        phone.page.goto(farm.url)
        phone.page.locator(row(phone.page, "1|uncover")).wait_for()

        assert sum(".css" in url for url in phone.requests) == 1
        assert sum(".js" in url for url in phone.requests) == 1
        assert all(url.startswith(farm.url) for url in phone.requests)


def test_a_script_that_got_in_would_not_run(farm: Served, browser: Browser) -> None:
    """The policy stops inline script and style, should markup ever get through."""
    with visit(browser) as phone:
        page = phone.page
        page.goto(farm.url)
        page.evaluate(
            "document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"window.got=1\">"
            '<p id=styled style="color: rgb(1, 2, 3)">x</p>\')'
        )
        page.evaluate("new Promise((done) => setTimeout(done, 50))")

        assert page.evaluate("window.got") is None
        assert page.evaluate("getComputedStyle(document.getElementById('styled')).color") != "rgb(1, 2, 3)"


def test_the_whole_life_of_a_batch_by_taps_alone(tmp_path: Path, browser: Browser) -> None:
    """Sown on its page, then each round answered as it asks until the shelf is washed; only figures are typed."""
    with served(tmp_path, now=NOW, broker=False) as farm, visit(browser) as phone:
        page, clock = phone.page, farm.clock
        assert isinstance(clock, ManualClock)
        page.goto(farm.url)
        page.get_by_role("link", name="Sow", exact=True).tap()
        page.get_by_label("Crop").fill("radish")
        page.get_by_label("Trays").fill("4")
        page.get_by_label("Where").select_option("cellar/1/1")
        page.get_by_role("button", name="Show its days").tap()
        page.get_by_role("button", name="It is sown").tap()
        expect(page.get_by_text("Noted: batch 1, 4 trays of radish")).to_be_visible()

        while not farm.entries(EntryKind.CLEANED):
            clock.set(clock() + timedelta(hours=12))
            assert clock() - NOW < timedelta(days=21), [entry.kind.value for entry in farm.entries()]
            page.goto(farm.url)
            asked = page.locator('[data-part="round"] > .way [data-line]')
            while asked.count():
                key = asked.first.get_attribute("data-line") or ""
                line = page.locator(f'[data-line="{key}"]').first
                if "|harvest|" in key:
                    line.get_by_role("textbox", name="Cut in all, g").fill("820")
                line.get_by_role("button", name="Done", exact=True).tap()
                expect(page.locator(f'[data-line="{key}"]')).to_have_count(0)

        kinds = [entry.kind.value for entry in farm.entries()]
        for kind in ("sown", "uncovered", "lights on", "watered", "harvested", "cleaned"):
            assert kind in kinds, kinds
        assert [entry.by for entry in farm.entries()] == ["ines"] * len(kinds)
        assert farm.entries(EntryKind.HARVESTED)[0].data["grams"] == 820
        assert phone.errors == []


def test_an_answer_of_somebody_who_must_sign_in_again_is_kept_until_then(farm: Served, browser: Browser) -> None:
    """The password was changed meanwhile: the tap waits in the phone through the sign-in, and is sent after it."""
    farm.doors.set_password("ines", "salt and light")
    with visit(browser) as phone:
        page = phone.page

        def sign_in(password: str) -> None:
            page.get_by_role("radio", name="ines").check()
            page.get_by_label("Password").fill(password)
            page.get_by_role("button", name="Sign in").tap()

        page.goto(farm.url)
        sign_in("salt and light")
        page.locator(row(page, "1|uncover")).wait_for()
        farm.doors.set_password("ines", "light and salt")
        page.locator(row(page, "1|uncover")).get_by_role("button", name="Done", exact=True).tap()
        expect(page.get_by_role("heading", name="Who are you?")).to_be_visible()
        assert farm.entries(EntryKind.UNCOVERED) == []

        sign_in("light and salt")

        expect(page.locator(row(page, "1|uncover"))).to_have_count(0)
        assert [entry.by for entry in farm.entries(EntryKind.UNCOVERED)] == ["ines"]
