"""How far and how long outside: doses, runs, and what ends them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.excursion import Excursion, excursion, kpa_per_point
from monitor.air import vapour_pressure_deficit
from monitor.live import Recent
from monitor.readings import to_ms

NOW = datetime(2026, 3, 8, 12, tzinfo=UTC)


def recent(values: list[float], *, every: int = 5) -> Recent:
    """Return readings, the last one an interval before now."""
    at = [to_ms(NOW - timedelta(minutes=every * (len(values) - place))) for place in range(len(values))]
    return Recent(measured_at_ms=np.array(at, dtype=np.int64), value=np.array(values, dtype=float))


def run_of(values: list[float], low: float | None = 18.0, high: float | None = 28.0) -> Excursion | None:
    """Return the run of some values, one each five minutes."""
    return excursion(recent(values), low, high, NOW, deadband=0.5)


def test_two_degrees_for_three_hours_are_six_degree_hours() -> None:
    """The dose is how far times how long; its run began with the first reading outside."""
    run = run_of([20.0] * 24 + [16.0] * 36)

    assert run is not None
    assert run.is_low
    assert run.dose == pytest.approx(6.0)
    assert run.since == NOW - timedelta(hours=3)
    assert run.longest == timedelta(hours=3)


@pytest.mark.parametrize(
    ("values", "low", "high"),
    [
        pytest.param([], 18.0, 28.0, id="nothing was heard"),
        pytest.param([20.0] * 20, 18.0, 28.0, id="all inside"),
        pytest.param([16.0] * 12 + [19.0] * 12, 18.0, 28.0, id="inside by the deadband for an hour"),
        pytest.param([16.0] * 20, None, 28.0, id="no lower end"),
    ],
)
def test_no_run(values: list[float], low: float | None, high: float | None) -> None:
    """Nothing holds."""
    assert run_of(values, low, high) is None


def test_back_inside_but_not_by_the_deadband_holds_on() -> None:
    """18.2 is not yet back from under 18."""
    run = run_of([16.0] * 12 + [18.2] * 24)

    assert run is not None
    assert run.dose == pytest.approx(2.0)


def test_a_swing_round_the_end_is_one_run_that_adds_up() -> None:
    """A thermostat that dips for 20 of each 40 minutes: half the time counts, 20 minutes at a stretch."""
    run = run_of(([17.0] * 4 + [19.0] * 4) * 18)

    assert run is not None
    assert run.dose == pytest.approx(6.0)
    assert run.longest == timedelta(minutes=20)


def test_an_old_reading_says_nothing_of_now() -> None:
    """A sensor that fell silent an hour ago is a finding of its own."""
    silent = recent([16.0] * 12)

    assert excursion(silent, 18.0, 28.0, NOW + timedelta(hours=1), deadband=0.5) is None


def test_a_point_of_humidity_is_a_pressure() -> None:
    """[FAO56] eq. 11: the deficit of 50 and of 51 % at 25 degC differ by it."""
    damp = recent([50.0, 51.0])
    temps = recent([25.0, 25.0])
    deficit = vapour_pressure_deficit(temps.value, damp.value)

    assert kpa_per_point(damp, temps) == pytest.approx(float(deficit[0] - deficit[1]))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(5, 35), min_size=2, max_size=60), st.floats(0.1, 3))
def test_colder_air_never_has_a_smaller_dose(values: list[float], by: float) -> None:
    """A law: the same course, colder by some degrees, adds up to at least as much under the band."""
    warm, cold = (excursion(recent(each), 18.0, None, NOW, deadband=0.5) for each in (values, [v - by for v in values]))

    if warm is not None:
        assert cold is not None
        assert cold.dose >= warm.dose
