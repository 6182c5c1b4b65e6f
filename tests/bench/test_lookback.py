"""The benchmarks of the look-back run, count what they say they count, and know nothing that they must not."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulated_feeds import badparameters as ranges
from tests.bench import report
from tests.bench.lookback import Judgement, figures, run, tables, top1, top3
from tests.bench.lookback_oracle import NAMES


@pytest.fixture(scope="module")
def judged() -> list[Judgement]:
    """Return six cases."""
    return run(4, 6)


def test_the_figures_have_the_names_that_others_read(judged: list[Judgement]) -> None:
    """And are shares, but for the count."""
    found = figures(judged)

    assert {"batches", "top1", "top3", "oracle_top1", "false_blame", "calibration_error", "brier"} <= set(found)
    assert found["batches"] == 6
    assert all(0 <= value <= 1 for name, value in found.items() if name != "batches")
    assert any("| all | 6 |" in line for line in tables(judged))


def test_each_ranks_every_cause_and_the_oracle_adds_up(judged: list[Judgement]) -> None:
    """The look-back, the oracle and none of these."""
    for each in judged:
        assert set(each.chances) == set(each.oracle) == {*NAMES, ranges.NOT_IN_RECORD}
        alone = [chance for chance in each.oracle.values() if chance > 0.99]
        assert len(alone) <= 2


def test_first_and_three_are_counted_as_they_are_said() -> None:
    """Either of two causes counts for the first place, both for the first three."""
    assert top1(frozenset({"a", "b"}), ["b", "c", "a"])
    assert top3(frozenset({"a", "b"}), ["b", "c", "a", "d"])
    assert not top3(frozenset({"a", "b"}), ["b", "c", "d", "a"])
    assert not top1(frozenset({"a"}), ["b", "a"])


def test_a_report_on_a_small_store_is_timed(tmp_path: Path) -> None:
    """All twenty batches stand beside it, and rows were read."""
    farm = report.fill(tmp_path, 100_000)
    found = report.measure(farm, tmp_path, 0.0)

    assert found["batches_beside"] == 20
    assert found["rows_read"] > 100_000
    assert found["readings_in_store"] == report.DAYS * 1440 * 10
    assert found["page_bytes"] < 1_500_000
