"""The benchmark of what comes in measures what it says: every reading is on disk, by both ways, in every form."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.clock import system_clock
from tests.bench.ingest import PACK, bytes_per_series, logs, measure, racks, singles
from tests.support.farms import farm

pytestmark = pytest.mark.live


@pytest.mark.parametrize("make", [singles, racks, logs])
def test_both_ways_take_what_was_published(tmp_path: Path, make: object) -> None:
    """A few hundred readings in two rounds; the benchmark itself counts them in the store."""
    assert callable(make)
    where = replace(farm(tmp_path), records_from=datetime(2020, 1, 1, tzinfo=UTC))
    load = make(where, int(system_clock().timestamp()) - 86_400, 8 * PACK)
    bare, ours = measure(load, 2)

    assert load.readings == 8 * PACK
    assert len(bare) == len(ours) == 2
    assert all(each.seconds > 0 and each.cpu_s > 0 for each in (*bare, *ours))


def test_a_series_takes_less_than_two_kilobytes(tmp_path: Path) -> None:
    """Eleven days of half hours are held from the first reading on; what late readings may change comes to it."""
    where = replace(farm(tmp_path), records_from=datetime(2020, 1, 1, tzinfo=UTC))

    assert 1_064 < bytes_per_series(where, 1_000) < 2_000
