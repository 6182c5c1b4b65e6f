"""`make screenshots`: every page of the SIMULATED farm after ten days, phone and desk, by day and by night.

The pages are found by following their own links from the front page; of pages that differ only in what they show (one a
batch, one a sensor) the first is taken. FOLDER=... says where the pictures go, DAYS=n how long the farm has run.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from monitor.cli.demo import DemoRun
from tests.support.browser import chromium, visit

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

_MORE = {
    "sow-days": "/sow?look=1&crop=radish&trays=8",
    "labels-print": "/labels/print?batch=1&n-1=8&size=70x37",
    "calendar": "/calendar",
}
"""What only a form leads to."""
_NO_PAGES = ("/api/", "/static/", "/calendar/", "/events", "/metrics", "/openapi", "/tap/")

_FILE = re.compile(r"\.(zip|csv|json|ics|txt|svg|png)$")
"""What a page hands out to be kept."""


def kind_of(path: str) -> str:
    """Return what pages of one sort share: their path without what names a batch, a sensor or a day."""
    head, *rest = path.strip("/").split("/")
    return "/".join([head or "rounds", *("_" if re.search(r"\d|-", each) or index == 0 else each
                                         for index, each in enumerate(rest))])  # fmt: skip


def links(page: Page, url: str) -> list[str]:
    """Return the paths of our own pages that a page leads to."""
    found: list[str] = page.eval_on_selector_all("a[href]", "all => all.map((each) => each.href)")
    paths = [urlsplit(each).path for each in found if each.startswith(url)]
    return [path for path in dict.fromkeys(paths) if not path.startswith(_NO_PAGES) and not _FILE.search(path)]


def pages_of(browser: Browser, url: str) -> dict[str, str]:
    """Return one path for each kind of page."""
    found = {"rounds": "/"}
    waiting = ["/"]
    with visit(browser) as who:
        while waiting:
            answer = who.page.goto(url + waiting.pop(0))
            if answer is None or not answer.headers.get("content-type", "").startswith("text/html"):
                continue
            for path in links(who.page, url):
                if kind_of(path) not in found:
                    found[kind_of(path)] = path
                    waiting.append(path)
    return found


def picture(browser: Browser, url: str, pages: dict[str, str], folder: Path) -> None:
    """Take each page four times."""
    for wide in (False, True):
        for dark in (False, True):
            with visit(browser, wide=wide, dark=dark) as who:
                for name, path in pages.items():
                    who.page.goto(url + path)
                    who.page.wait_for_load_state("load")
                    for drawn in who.page.locator("figure[data-picture]").all():  # a picture comes after its page
                        drawn.locator("> svg").wait_for(timeout=30_000)
                    file = f"{name.replace('/', '-')}-{'desk' if wide else 'phone'}-{'night' if dark else 'day'}.png"
                    who.page.screenshot(path=str(folder / file), full_page=True)
            for error in who.errors:
                print(f"console: {error}")  # noqa: T201 # this is a command


def main() -> None:
    """Run the simulated farm, and take the pictures."""
    folder = Path(os.environ.get("FOLDER", "screenshots"))
    folder.mkdir(parents=True, exist_ok=True)
    run = DemoRun(Path(tempfile.mkdtemp(prefix="traywarden-screenshots-")), seed=7)
    try:
        run.begin()
        run.through(int(os.environ.get("DAYS", "10")), threading.Event())
        with chromium() as browser:
            pages = {**pages_of(browser, run.pages.address), **_MORE}
            picture(browser, run.pages.address, pages, folder)
    finally:
        run.stop()
    print(f"{4 * len(pages)} pictures of {len(pages)} pages are in {folder}")  # noqa: T201 # this is a command


if __name__ == "__main__":
    main()
