"""Look-back over the web: batches are listed and judged, the page prints without a style or script of its own in it."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from monitor.ledger import EntryKind
from tests.dashboards.web.test_calendar import form_of
from tests.support.farms import new
from tests.support.houses import NOW, lodge


def test_poor_batches_stand_first_and_lead_to_their_page(tmp_path: Path) -> None:
    """The one that was thrown away before the newer one that stands."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=12)
    house.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=1)
    house.enter(new(EntryKind.DISCARDED, NOW, "1", data={"why": "slime"}))
    text = house.client().get("/lookback").text

    assert text.index('href="/lookback/1"') < text.index('href="/lookback/2"')
    assert "8 of 8 trays thrown away" in text
    assert "is not sold" in text
    house.close()


def test_the_page_to_print_keeps_the_pages_own_policy(tmp_path: Path) -> None:
    """Its style comes from an address of its own; the tables come as a file."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=12)
    client = house.client()
    answer = client.get("/lookback/1")
    tables = client.get("/lookback/1/tables.zip")

    assert answer.status_code == 200
    assert "<style" not in answer.text
    assert "style=" not in answer.text
    assert '<link rel="stylesheet" href="/lookback/style.css">' in answer.text
    assert "@page" in client.get("/lookback/style.css").text
    assert "suspects.csv" in zipfile.ZipFile(io.BytesIO(tables.content)).namelist()
    assert client.get("/lookback/99").status_code == 404
    house.close()


def test_a_batch_is_judged_by_a_form(tmp_path: Path) -> None:
    """One entry, as the command writes it; what cannot be is refused and nothing written."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=12)
    client = house.client()
    fields = {**form_of(client, "/lookback"), "batch": "1", "stand": "2,5", "sign-mould": "1", "why": "grey fuzz"}
    taken = client.post("/lookback/judge", data=fields)
    refused = client.post("/lookback/judge", data={**fields, "stand": "7"})
    entries = [entry for entry in house.ledger.entries() if entry.kind is EntryKind.OUTCOME]

    assert taken.status_code in (200, 303)
    assert refused.status_code == 422
    assert "0 to 5" in refused.text
    assert [dict(entry.data) for entry in entries] == [{"stand": 2.5, "signs": ["mould"], "why": "grey fuzz"}]
    assert "not judged: stand 2.5 of 5, mould" in client.get("/lookback").text
    house.close()
