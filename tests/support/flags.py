"""Our quality flags for a case as the reference implementation [IOOS-QC] names its tests and their inputs."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from monitor import quality


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
