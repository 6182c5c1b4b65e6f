"""Season and Trace over the web: the same tables as the commands print, and a file of them."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path

from monitor.ledger import EntryKind
from tests.support.farms import new
from tests.support.houses import NOW, lodge


def test_the_season_of_some_days_is_shown_and_handed_out(tmp_path: Path) -> None:
    """A batch that was sown before those days is not in it; the file has the tables that the page shows."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 8, "cellar/1/1", days_ago=12)
    house.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=3)
    house.enter(new(EntryKind.HARVESTED, NOW, "1", trays=8, data={"grams": 2400}))
    client = house.client()
    whole = client.get("/season").text
    late = client.get("/season", params={"from": (NOW - timedelta(days=5)).date().isoformat()}).text
    rows = list(csv.reader(io.StringIO(client.get("/season/tables.csv").text)))
    wrong = client.get("/season", params={"from": "2026-03-09", "to": "2026-03-01"})

    assert ("radish" in whole, "radish" in late) == (True, False)
    assert any("radish" in cell for row in rows for cell in row)
    assert wrong.status_code == 422
    assert "lies after" in wrong.text
    house.close()


def test_a_lot_is_traced_to_whom_it_went(tmp_path: Path) -> None:
    """One step forward, with buyer and trays; a lot that nobody entered is said to be unknown."""
    house = lodge(tmp_path)
    sown = {"crop": "radish", "tray_kind": "1020", "lot": "R-77"}
    house.enter(new(EntryKind.SOWN, NOW - timedelta(days=12), "1", trays=8, spot="cellar/1/1", data=sown))
    house.enter(new(EntryKind.DELIVERED, NOW, "1", trays=3, data={"whom": "<Inn> at the weir"}))
    client = house.client()
    text = client.get("/trace", params={"lot": "r-77"}).text
    file = client.get("/trace/tables.csv", params={"lot": "R-77"})

    assert "&lt;Inn&gt; at the weir" in text
    assert "ask them first" in text
    assert 'href="/trace/tables.csv?lot=r-77"' in text
    assert "<Inn> at the weir" in file.text
    assert client.get("/trace", params={"lot": "X-1"}).status_code == 404
    assert client.get("/trace").status_code == 422
    house.close()
