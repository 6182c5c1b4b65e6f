"""Quality flags against the recorded cases of the IOOS reference implementation, and against the manual's words."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import quality
from monitor.readings import Flag
from tests.support.needs import SHARED_DATA, require_shared

CASES = "vectors/qartod/ioos_qc_300_vectors.json"


def cases() -> list[Any]:
    """Return the recorded cases; where the shared records are not, one that is left out and says so."""
    path = SHARED_DATA / CASES
    if not path.exists():
        return [pytest.param(None, id="the recorded cases")]
    recorded = json.loads(path.read_text(encoding="utf-8"))
    return [pytest.param(case, id=f"{place}-{case['function']}") for place, case in enumerate(recorded)]


def numbers(values: list[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return values as an array, None as NaN."""
    return np.array([np.nan if value is None else float(value) for value in values])


def instants(said: list[Any]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return instants in seconds; NaT as NaN."""
    found = []
    for each in said:
        if isinstance(each, str):
            found.append(np.nan if each == "NaT" else datetime.fromisoformat(each).replace(tzinfo=UTC).timestamp())
        else:
            found.append(float(each))
    return np.array(found)


def flags_of(function: str, inputs: dict[str, Any]) -> list[int]:
    """Return our flags for one recorded case, as plain numbers."""
    return [int(flag) for flag in our_flags(function, inputs)]


def our_flags(function: str, inputs: dict[str, Any]) -> quality.Flags:
    """Return our flags for one recorded case."""
    if function == "qartod_compare":
        return quality.highest([np.array(vector, dtype=np.int8) for vector in inputs["vectors"]])
    at_s = instants(inputs.get("tinp", []))
    if function == "time_gap_test":
        return quality.gap(at_s, float(inputs["fail_span"]) * 3600)
    if function == "impossible_date_test":
        return quality.gap(at_s, np.inf)  # an instant that is none is missing; ours are parsed before
    values = numbers(inputs["inp"])
    if function == "gross_range_test":
        return quality.gross_range(values, tuple(inputs["fail_span"]), tuple(inputs["suspect_span"]))
    if function == "spike_test":
        return quality.spike(values, inputs["suspect_threshold"], inputs["fail_threshold"], inputs["method"])
    if function == "rate_of_change_test":
        return quality.rate_of_change(values, at_s, inputs["threshold"], inputs["fail_threshold"])
    if function == "flat_line_test":
        return quality.flat_line(
            values, at_s, inputs["suspect_threshold"], inputs["fail_threshold"], inputs["tolerance"]
        )
    return quality.attenuated(
        values, at_s, inputs["suspect_threshold"], inputs["fail_threshold"], spread=inputs["check_type"],
        window_s=inputs["test_period"], least_readings=inputs["min_obs"], least_s=inputs["min_period"],
    )  # fmt: skip


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
