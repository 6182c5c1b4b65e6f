"""How far a sensor has gone from its neighbours, asked of the last half hour alone."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.crosscheck import NEAR, SPAN, gone, gone_from, gone_from_now, gone_now


@pytest.mark.parametrize("sensors", [2, 3, 7])
@pytest.mark.parametrize("silent", [0.0, 0.3, 0.9])
def test_the_last_half_hour_needs_few_others(sensors: int, silent: float) -> None:
    """What is said of it by the 32 half hours that count for it is what the whole record says, to the last bit."""
    rng = np.random.default_rng(sensors)
    record = rng.normal(20, 3, (sensors + 1, SPAN))
    record[rng.random(record.shape) < silent] = np.nan
    near = record[:, SPAN - 1 + NEAR].transpose(1, 0, 2)

    np.testing.assert_array_equal(gone_now(near[:, 1:]), gone(record[1:])[:, -1])
    np.testing.assert_array_equal(gone_from_now(near[:, :1], near[:, 1:]), gone_from(record[:1], record[1:])[:, -1])
