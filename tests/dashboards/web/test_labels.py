"""Labels and wall sheet over the web: chosen on a page, printed without a script or a style of their own in it."""

from __future__ import annotations

import re
from pathlib import Path

from alerts.outbox_sql import SqlOutbox
from dashboards.sheetbook import SHEETS_STATE
from monitor.ledger import EntryKind
from tests.dashboards.web.test_calendar import form_of
from tests.support.farms import new
from tests.support.houses import lodge


def test_what_was_sown_today_is_ticked_already(tmp_path: Path) -> None:
    """The batch of this morning, and not last week's; a batch named in the address is ticked instead."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=5)
    house.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=0.1)
    client = house.client()

    def ticked(path: str) -> list[str]:
        return re.findall(r'name="batch" value="(\d+)" checked', client.get(path).text)

    assert ticked("/labels") == ["2"]
    assert ticked("/labels?batch=1") == ["1"]
    house.close()


def test_the_page_to_print_keeps_the_pages_own_policy(tmp_path: Path) -> None:
    """Its style comes from an address of its own, in mm; nothing stands inline; the code opens the batch here."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=1)
    client = house.client()

    answer = client.get("/labels/print?batch=1&n-1=2&size=99.1x67.7&skip=1")
    style = client.get("/labels/style/99.1x67.7.css")

    assert answer.text.count('<li class="label">') == 2
    assert "<style" not in answer.text
    assert "style=" not in answer.text.replace('rel="stylesheet"', "")
    assert '<link rel="stylesheet" href="/labels/style/99.1x67.7.css">' in answer.text
    assert style.headers["content-type"].startswith("text/css")
    assert "width: 99.1mm" in style.text
    assert "No phone can open these codes" in answer.text
    house.close()


def test_what_cannot_be_printed_is_said(tmp_path: Path) -> None:
    """In words, with what may be asked instead."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=1)
    client = house.client()

    assert "tick a batch" in client.get("/labels/print?size=70x37").text
    assert "there are, in mm" in client.get("/labels/print?batch=1&size=<b>").text
    assert "is no number of labels" in client.get("/labels/print?batch=1&n-1=many&size=70x37").text
    assert client.get("/labels/style/1x1.css").status_code == 404
    house.close()


def test_the_wall_sheet_prints_from_here_and_can_be_entered(tmp_path: Path) -> None:
    """What is on hold stands first, and its lines are kept for `traywarden enter`."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=2)
    house.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=2)
    house.enter(new(EntryKind.HELD, house.clock(), "2", data={"why": "the bag smelled"}))
    client = house.client()

    answer = client.post("/labels/wall", data={**form_of(client, "/labels"), "days": "3"})
    kept = SqlOutbox(house.ledger.engine).state(SHEETS_STATE)

    assert answer.status_code == 200
    assert 0 < answer.text.index("ON HOLD: do not cut, do not deliver") < answer.text.index("<h1>")
    assert '<link rel="stylesheet" href="/labels/wall.css">' in answer.text
    assert "@page" in client.get("/labels/wall.css").text
    assert f"Sheet {kept[-1]['key']}" in answer.text
    assert client.post("/labels/wall", data={"days": "3"}).status_code == 403
    house.close()
