"""One batch beside others: the exact chance against scipy's own permutation test, Holm's method by its arithmetic."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.comparison import holm, permutation_chance, robust_distance


# [SCIPY] permutation_test, exact over all assignments: an independent computation of the same chance.
@pytest.mark.parametrize(
    ("value", "others"),
    [
        (9.0, [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]),
        (3.5, [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]),
        (-2.0, [0.1, 0.2, 0.15, 0.12, 0.4, 0.3, 0.22]),
        (5.0, [5.0, 5.0, 5.0, 4.0, 6.0, 5.0]),
    ],
)
def test_the_chance_is_what_scipys_permutation_test_gives(value: float, others: list[float]) -> None:
    """The statistic is the distance of the one from the middle of the rest."""
    from scipy.stats import permutation_test

    values = np.array([value, *others])

    def far(labels: np.ndarray) -> float:
        return float(abs(values[labels == 1][0] - median(values[labels == 0].tolist())))

    labels = np.array([1] + [0] * len(others))
    found = permutation_test(
        (labels,), far, permutation_type="pairings", alternative="greater", n_resamples=np.inf, vectorized=False
    )

    assert permutation_chance(value, others) == pytest.approx(float(found.pvalue))


def test_the_smallest_chance_is_one_in_all() -> None:
    """However far out: with six others it is one in seven."""
    assert permutation_chance(1e6, [1, 2, 3, 4, 5, 6]) == pytest.approx(1 / 7)


# [HOLM-1979] the sequentially rejective method: 4, 3, 2, 1 times the ordered chances, never falling, at most 1.
def test_holm_multiplies_in_order_and_never_falls() -> None:
    """By hand: 0.01 x 4, 0.02 x 3, then not under that, then not under that."""
    assert holm([0.01, 0.02, 0.03, 0.04]) == pytest.approx([0.04, 0.06, 0.06, 0.06])
    assert holm([0.04, 0.01]) == pytest.approx([0.04, 0.02])
    assert holm([]) == []


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_lies_between_each_chance_and_bonferronis(chances: list[float]) -> None:
    """A law."""
    for raw, corrected in zip(chances, holm(chances), strict=True):
        assert raw - 1e-12 <= corrected <= min(len(chances) * raw, 1.0) + 1e-12


def test_the_distance_is_in_robust_standard_deviations() -> None:
    """1.4826 times the middle distance from the middle; [ROUSSEEUW-CROUX] gives the factor for normal data."""
    others = np.random.default_rng(1).normal(20, 2, 20001).tolist()

    assert robust_distance(26.0, others) == pytest.approx(3.0, rel=0.03)
    assert robust_distance(26.0, [20.0, 21.0]) is None
    assert robust_distance(26.0, [20.0, 20.0, 20.0, 21.0]) is None
