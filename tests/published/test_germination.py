"""Germination tests: the published tolerances, printed exact intervals, and the laws of both."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.germination import interval, judge, tolerance


# [CFR-201.63] germination, 400 seeds or more, as printed: checks that we copied the table right.
@pytest.mark.parametrize(
    ("mean_pct", "printed_points"),
    [
        (100, 5),
        (96, 5),
        (95.9, 6),
        (90, 6),
        (89.9, 7),
        (80, 7),
        (79.9, 8),
        (70, 8),
        (69.9, 9),
        (60, 9),
        (59.9, 10),
        (0, 10),
    ],
)
def test_tolerance_is_the_printed_one(mean_pct: float, printed_points: float) -> None:
    """Both ends of every row."""
    assert tolerance(mean_pct) == printed_points


# [NEWCOMBE] table I, the exact method: checks the way that we call the interval, to the last printed digit.
@pytest.mark.parametrize(
    ("hits", "total", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_interval_is_the_printed_one(hits: int, total: int, low: float, high: float) -> None:
    """Four proportions."""
    assert list(interval(hits, total)) == pytest.approx([100 * low, 100 * high], abs=0.005)


@pytest.mark.parametrize("seeds", [1, 20, 100, 400])
def test_none_of_n_has_the_closed_form(seeds: int) -> None:
    """[CLOPPER-PEARSON] with no success the upper end solves (1 - p)^n = 0.025."""
    low, high = interval(0, seeds)

    assert low == 0
    assert (1 - high / 100) ** seeds == pytest.approx(0.025, rel=1e-6)


@given(st.integers(1, 400).flatmap(lambda seeds: st.tuples(st.integers(0, seeds), st.just(seeds))))
def test_the_interval_holds_the_share_and_is_its_mirror(count: tuple[int, int]) -> None:
    """What came up and what did not have intervals that mirror each other."""
    came_up, seeds = count
    low, high = interval(came_up, seeds)
    other_low, other_high = interval(seeds - came_up, seeds)

    assert low <= 100 * came_up / seeds <= high
    assert [100 - other_high, 100 - other_low] == pytest.approx([low, high], abs=1e-6)


@pytest.mark.parametrize(
    ("came_up", "seeds", "label", "differs"),
    [
        pytest.param(88, 100, 92, False, id="within the tolerance"),
        pytest.param(85, 100, 92, False, id="just at the tolerance"),
        pytest.param(42, 50, 92, False, id="outside the tolerance, but fifty seeds cannot tell"),
        pytest.param(80, 100, 92, True, id="outside both"),
        pytest.param(336, 400, 92, True, id="a full test goes by the tolerance alone"),
        pytest.param(340, 400, 92, False, id="a full test at the tolerance"),
        pytest.param(99, 100, 90, True, id="better than its label"),
        pytest.param(80, 100, None, None, id="no label"),
    ],
)
def test_a_test_differs_only_where_chance_cannot_do_it(
    came_up: int, seeds: int, label: float | None, differs: bool | None
) -> None:
    """By the tolerance of [CFR-201.63], and for few seeds by the interval too."""
    assert judge(came_up, seeds, label).differs is differs
