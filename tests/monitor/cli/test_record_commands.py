"""Records as a grower types them: written down with a name, printed for some days."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.amounts import read_temp
from monitor.errors import RefusedError
from tests.support.farms import TEXT
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm with one cold store; it is Monday 2 March 2026."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml."""
        self.path = folder / "farm.toml"
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), encoding="utf-8")
        self.now = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_the_cold_store_is_written_down_and_judged_by_its_own_limits(cellar: Cellar) -> None:
    """One cold store need not be named; too warm and too cold are said; under nought is no option."""
    assert "the cold store, 3.4 °C" in cellar.says("record", "cold-store", "3.4", "--spot", "cold", "--by", "tomek")
    assert "should keep 1 to 5 °C" in cellar.says("record", "cold-store", "7.2")
    entry = cellar.json("record", "cold-store", "-1.5")["entries"][0]

    assert (entry["data"]["temp_c"], entry["spot"]) == (-1.5, "cold")
    assert "is no temperature" in cellar.refuses("record", "cold-store", "cool")


def test_records_are_printed_and_written_to_files(cellar: Cellar, tmp_path: Path) -> None:
    """With the name of who entered them, and what the page is not."""
    cellar.says("record", "water-test", "no E. coli in 100 ml, slip 17")
    cellar.says("record", "hand-over", "door sticks", "--by", "tomek")
    cellar.says("clean", "1/2", "--with", "hot water")
    page, table = tmp_path / "march.html", tmp_path / "march.csv"

    said = cellar.says("records", "2026-03-01")
    written = cellar.says("records", "2026-03-01", "today", "--html", str(page), "--csv", str(table))
    facts = cellar.json("records", "2026-03-01")

    assert "Mon 2 Mar 09:00  door sticks (tomek, entry 2)" in said
    assert "It is no certificate" in said
    assert str(page) in written
    assert "door sticks" in page.read_text(encoding="utf-8")
    assert "slip 17" in table.read_text(encoding="utf-8")
    assert facts["schema"] == "traywarden.records/1"
    assert "It is no certificate" in facts["no_certificate"]
    assert "lies before" in cellar.refuses("records", "2026-03-05", "2026-03-01")
    assert "cannot be written" in cellar.refuses("records", "today", "--html", str(tmp_path / "no" / "x.html"))


@pytest.mark.parametrize(
    ("said", "units", "celsius"),
    [
        ("3.4", "metric", 3.4),
        ("3,4 °C", "metric", 3.4),
        ("38 F", "metric", 10 / 3),
        ("38", "US", 10 / 3),
        ("-2c", "US", -2),
    ],
)
def test_a_temperature_is_read_as_it_is_said(said: str, units: str, celsius: float) -> None:
    """A bare number is in the farm's own unit."""
    assert read_temp(said, "US" if units == "US" else "metric") == pytest.approx(celsius)


def test_what_is_no_temperature_is_refused() -> None:
    """With examples."""
    with pytest.raises(RefusedError, match=r"give e\.g\. 3\.4"):
        read_temp("warm", "metric")
