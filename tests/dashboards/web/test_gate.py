"""The gate before the pages."""

from __future__ import annotations

from pathlib import Path

from tests.support.houses import lodge


def test_the_front_page_answers_on_loopback(tmp_path: Path) -> None:
    """Open, and it says so."""
    house = lodge(tmp_path)

    answer = house.client().get("/")

    assert answer.status_code == 200
    assert "Open to everybody at this machine" in answer.text
    house.close()
