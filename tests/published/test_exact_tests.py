"""Exact tests of a season: printed examples, and the ones that scipy documents."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.season import fisher, mann_whitney


# [FISHER-TEA] eight cups, four of each, three right of four: 16 + 1 of 70 ways are as good, two-sided 34 of 70.
# [SCIPY] fisher_exact, the example of its documentation: [[8, 2], [1, 5]], printed 0.03496503496503495.
@pytest.mark.parametrize(
    ("table", "printed"),
    [((3, 1, 1, 3), 34 / 70), ((4, 0, 0, 4), 2 / 70), ((8, 2, 1, 5), 0.03496503496503495)],
)
def test_fishers_exact_test(table: tuple[int, int, int, int], printed: float) -> None:
    """Two-sided, by the probabilities of all tables with these sums."""
    assert fisher(*table) == pytest.approx(printed)


# [SCIPY] mannwhitneyu, the example of its documentation: ages at diagnosis, printed 0.1111111111111111 (exact).
MALES, FEMALES = [19, 22, 16, 29, 24], [20, 11, 17, 12]


def test_the_mann_whitney_test_without_ties() -> None:
    """Exact."""
    assert mann_whitney(MALES, FEMALES) == pytest.approx(0.1111111111111111)


def test_with_ties_every_permutation_counts() -> None:
    """Three against three with a tie: counted here over all twenty ways to deal six values out."""
    from itertools import combinations

    from scipy.stats import rankdata

    values, others = [1.0, 2.0, 2.0], [2.0, 3.0, 4.0]
    ranks = rankdata([*values, *others])
    far = [abs(sum(ranks[list(mine)]) - 3 * 3.5) for mine in combinations(range(6), 3)]
    own = abs(sum(ranks[:3]) - 3 * 3.5)

    assert mann_whitney(values, others) == pytest.approx(np.mean([each >= own - 1e-9 for each in far]))


def test_nothing_to_compare_gives_no_chance() -> None:
    """A side that is empty, and all values the same."""
    assert fisher(0, 0, 3, 4) is None
    assert mann_whitney([], [1.0]) is None
    assert mann_whitney([2.0, 2.0], [2.0]) == 1.0
