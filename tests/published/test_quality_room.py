"""Quality flags of a real room's record against those of the IOOS reference implementation.

ioos-qc 3.0.0 brings scipy, xarray, shapely and others (over 150 MB), so it was run once outside this repository, and
its flags are kept in tests/data as runs of [flag, how many]: eight runs of five tests on temperature, humidity and
light each. There is no difference; one was found when this was first run: the deviation within a window was a sample's
(n - 1 below the line) where the reference has n, which 27 of 63,960 flags of the shorter file told.
"""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.flagging import FRESH, FlagLimits, Kept, flagged
from tests.support.flags import flags_of
from tests.support.needs import require_shared

DATA = Path(__file__).parents[1] / "data"
RECORDED: dict[str, Any] = json.loads((DATA / "room_uci_ioos_flags.json").read_text(encoding="utf-8"))
COLUMNS = {"Temperature": 2, "Humidity": 3, "Light": 4}


def rows_of(name: str) -> list[list[str]]:
    """Return the rows of the excerpt, or of a file of the whole record."""
    path = DATA / "room_uci_excerpt.csv" if name == "excerpt" else require_shared(f"room_uci/{name}")
    with path.open(encoding="utf-8") as file:
        return list(csv.reader(file))[1:]


def differing(name: str) -> dict[str, int]:
    """Return by test and quantity how many flags differ."""
    rows = rows_of(name)
    assert len(rows) == RECORDED["series"][name]["rows"]
    at_s = [datetime.fromisoformat(row[1]).replace(tzinfo=UTC).timestamp() for row in rows]
    found = {}
    for case in RECORDED["series"][name]["cases"]:
        values = [float(row[COLUMNS[case["column"]]]) for row in rows]
        ours = np.array(flags_of(case["function"], {**case["inputs"], "inp": values, "tinp": at_s}))
        flags, counts = zip(*case["flags"], strict=True)
        off = int((ours != np.repeat(flags, counts)).sum())
        if off:
            found[f"{case['function']} {case['column']} {case['inputs']}"] = off
    return found


def test_every_flag_of_an_excerpt_is_the_references() -> None:
    """[IOOS-QC] 3.0.0 on [UCI-OCCUPANCY], 1,500 minutes: 24 runs, 36,000 flags, none differs."""
    assert len(RECORDED["series"]["excerpt"]["cases"]) == 24
    assert differing("excerpt") == {}


@pytest.mark.parametrize("column", list(COLUMNS))
def test_flags_as_readings_come_are_the_references_spikes(column: str) -> None:
    """[IOOS-QC] spike test, differential: flags of the running pipeline, revised once, are the same but at the ends.

    The first reading passes for us, and so does the last until the next one comes; the reference has 2 for both.
    """
    (case,) = (
        case
        for case in RECORDED["series"]["excerpt"]["cases"]
        if case["column"] == column and case["inputs"].get("method") == "differential"
    )
    limits = FlagLimits(
        spike_suspect=case["inputs"]["suspect_threshold"], spike_fail=case["inputs"]["fail_threshold"],
        rate_per_min=1e9, flat_suspect_ms=10**12, flat_fail_ms=10**12, flat_free=(1.0, 0.0),
    )  # fmt: skip
    state, kept = FRESH, dict[int, int]()
    for row in rows_of("excerpt"):
        at_ms = round(datetime.fromisoformat(row[1]).replace(tzinfo=UTC).timestamp() * 1000)
        state, now, revised = flagged(state, Kept(at_ms, float(row[COLUMNS[column]]), 1, 0), limits)
        for each in (now, revised):
            if each is not None:
                kept[each.at_ms] = each.flag
    flags, counts = zip(*case["flags"], strict=True)
    theirs = np.repeat(flags, counts)

    assert list(kept.values())[1:-1] == theirs[1:-1].tolist()
    assert (theirs[0], theirs[-1]) == (2, 2)
    assert {3} <= set(kept.values())


def test_the_recorded_flags_are_of_every_kind() -> None:
    """Each test has both passed and complained in the excerpt or the whole record, so agreement says something."""
    said: dict[str, set[int]] = {}
    for series in RECORDED["series"].values():
        for case in series["cases"]:
            said.setdefault(case["function"], set()).update(flag for flag, _ in case["flags"])

    assert said["spike_test"] == said["attenuated_signal_test"] == {1, 2, 3, 4}
    assert said["gross_range_test"] == said["rate_of_change_test"] == said["flat_line_test"] == {1, 3, 4}


@pytest.mark.shared
@pytest.mark.parametrize("name", ["datatraining.txt", "datatest.txt"])
def test_every_flag_of_the_whole_record_is_the_references(name: str) -> None:
    """[IOOS-QC] 3.0.0 on [UCI-OCCUPANCY], 10,808 minutes: 259,392 flags, none differs."""
    assert differing(name) == {}
