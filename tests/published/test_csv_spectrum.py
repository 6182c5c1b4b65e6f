"""[CSV-SPECTRUM]: twelve awkward files with the rows that a right reader makes of them."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest

from collectors.csv_table import find_layout, read_rows

SPECTRUM = Path(__file__).parent.parent / "data" / "csv_spectrum"
FILES = sorted(path.stem for path in (SPECTRUM / "csvs").glob("*.csv"))


def cut(name: str) -> list[dict[str, str]]:
    """Return the rows of one file of the set, its line ends put back where our copy lost them."""
    text = (SPECTRUM / "csvs" / f"{name}.csv").read_bytes().decode("utf-8")
    if name.endswith("_crlf"):  # the stored copy has LF throughout; the set's own file has CRLF
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    layout = find_layout(StringIO(text, newline=""), [], delimiter=",")
    rows = read_rows(StringIO(text, newline=""), layout)
    return [dict(zip(layout.columns, fields, strict=True)) for _, fields in rows if fields]


# [CSV-SPECTRUM] all files of the set but one: checks how we cut rows, not how we read numbers.
@pytest.mark.parametrize("name", [name for name in FILES if name != "location_coordinates"])
def test_rows_are_cut_as_the_set_says(name: str) -> None:
    """Quotes, line ends within quotes, CRLF, empty fields and a missing last line end."""
    expected = json.loads((SPECTRUM / "json" / f"{name}.json").read_text(encoding="utf-8"))

    assert cut(name) == expected


# [CSV-SPECTRUM] location_coordinates: the set's JSON is one object and has another telephone number than its
# CSV, so that column is left out of the comparison.
def test_quotes_inside_an_unquoted_field_stay() -> None:
    """Minutes and seconds of arc are no quotes round a field."""
    expected = json.loads((SPECTRUM / "json" / "location_coordinates.json").read_text(encoding="utf-8"))
    (row,) = cut("location_coordinates")

    assert {name: row[name] for name in list(row)[1:]} == {name: expected[name] for name in list(row)[1:]}


def test_the_whole_set_is_here() -> None:
    """Twelve files, as the catalogue of the set counts."""
    assert len(FILES) == 12
