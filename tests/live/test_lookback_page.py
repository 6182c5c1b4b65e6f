"""The look-back's page in a real browser: both widths, on paper, and whom it asks for anything."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.browser import axe_faults
from tests.support.simulated import BadBatch

pytestmark = pytest.mark.live


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of a simulated bad batch."""
    folder = tmp_path_factory.mktemp("bad")
    farm = BadBatch(folder, "mould weather", seed=2)
    path = folder / "page.html"
    farm.says("lookback", farm.case.target, "--html", str(path))
    return path


@pytest.mark.parametrize("width", [360, 1200])
def test_it_fits_its_width_and_asks_nobody(browser: Any, page: Path, width: int) -> None:
    """Nothing runs out at the side, nothing is requested but the file itself, nothing is complained of."""
    asked: list[str] = []
    complaints: list[str] = []
    tab = browser.new_page(viewport={"width": width, "height": 800})
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("console", lambda message: complaints.append(message.text))
    tab.goto(page.as_uri())

    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    assert [url for url in asked if not url.startswith("data:")] == [page.as_uri()]
    assert complaints == []
    tab.close()


def test_every_link_of_the_verdict_leads_to_its_place(browser: Any, page: Path) -> None:
    """Each of the three."""
    tab = browser.new_page()
    tab.goto(page.as_uri())
    targets = tab.eval_on_selector_all(".verdict a", "links => links.map(a => a.getAttribute('href'))")

    assert len(targets) == 3
    assert all(tab.query_selector(target) for target in targets)
    tab.close()


def test_it_prints_on_two_sheets(browser: Any, page: Path, tmp_path: Path) -> None:
    """A4, by the page's own margins."""
    import pypdfium2

    tab = browser.new_page()
    tab.goto(page.as_uri())
    printed = tmp_path / "page.pdf"
    tab.pdf(path=str(printed), format="A4", prefer_css_page_size=True)
    tab.close()

    document = pypdfium2.PdfDocument(str(printed))
    assert len(document) == 2
    document.close()


def test_nothing_stands_in_the_way_of_a_reader(browser: Any, page: Path) -> None:
    """The accessibility rules that a machine can check find nothing."""
    tab = browser.new_page()
    tab.goto(page.as_uri())
    found = axe_faults(tab)
    tab.close()

    assert found == []
