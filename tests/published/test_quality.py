"""Quality flags against the recorded cases of the IOOS reference implementation, and against the manual's words."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import quality
from monitor.readings import Flag
from tests.support.flags import flags_of
from tests.support.needs import SHARED_DATA, require_shared

CASES = "vectors/qartod/ioos_qc_300_vectors.json"


def cases() -> list[Any]:
    """Return the recorded cases; where the shared records are not, one that is left out and says so."""
    path = SHARED_DATA / CASES
    if not path.exists():
        return [pytest.param(None, id="the recorded cases")]
    recorded = json.loads(path.read_text(encoding="utf-8"))
    return [pytest.param(case, id=f"{place}-{case['function']}") for place, case in enumerate(recorded)]


@pytest.mark.shared
@pytest.mark.parametrize("case", cases())
def test_flags_are_those_of_the_reference_implementation(case: dict[str, Any] | None) -> None:
    """[IOOS-QC] 3.0.0: 89 recorded cases, identical to the last flag."""
    require_shared(CASES)
    assert case is not None

    assert flags_of(case["function"], case["inputs"]) == case["flags"]


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        pytest.param(
            quality.gross_range(np.array([1.0, 2, 3, 4, 8]), (0, 5), (1, 4)), [1, 1, 1, 1, 4], id="gross range"
        ),
        pytest.param(
            quality.spike(np.array([10, 12, 999.99, 13, 15, 40, 9, 9.0]), 25, 50), [2, 4, 4, 4, 1, 3, 1, 2], id="spike"
        ),
        pytest.param(
            quality.rate_of_change(np.array([2, 10, 2.1, 3, 4, 5, 7, 10, 0.0]), np.arange(9.0) * 900, 5 / 900),
            [1, 3, 3, 1, 1, 1, 1, 1, 3],
            id="rate of change",
        ),
    ],
)
def test_the_printed_examples(flags: np.ndarray[tuple[int], np.dtype[np.int8]], expected: list[int]) -> None:
    """[IOOS-QC] worked examples, so that a clone without the shared records checks them too."""
    assert flags.tolist() == expected


def test_half_a_second_is_not_nothing() -> None:
    """Two readings half a second apart have a rate, not a division by nought."""
    flags = quality.rate_of_change(np.array([20.0, 21.0]), np.array([0.0, 0.5]), 1.0)

    assert flags.tolist() == [int(Flag.PASS), int(Flag.SUSPECT)]


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=30), st.floats(-100, 100))
def test_flags_do_not_depend_on_where_nought_is(values: list[float], shift: float) -> None:
    """A law: shifting all values changes neither spike nor rate nor flat line (to rounding)."""
    at_s = np.array([60.0 * place for place in range(len(values))])
    rounded = np.round(np.array(values), 1)
    for moved in (rounded, np.round(rounded + round(shift, 1), 1)):
        spikes = quality.spike(moved, 3.03, 8.03)  # no tie: means of tenths are twentieths
        rates = quality.rate_of_change(moved, at_s, 0.1033)
        if moved is rounded:
            first = (spikes.tolist(), rates.tolist())
    assert (spikes.tolist(), rates.tolist()) == first
