"""Moist air against printed examples and reference libraries' values."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air import (
    absolute_humidity,
    dew_point,
    saturation_vapour_pressure,
    vapour_pressure,
    vapour_pressure_deficit,
)
from monitor.errors import ShapeError
from tests.support.needs import require_shared


def one(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return one number as an array."""
    return np.array([value])


@pytest.mark.parametrize(("temp_c", "printed_kpa"), [(15.0, 1.705), (24.5, 3.075)])
def test_saturation_pressure_is_as_printed(temp_c: float, printed_kpa: float) -> None:
    """[FAO56] ch. 3 example 3: checks that the formula was copied right; half of the last printed digit."""
    assert saturation_vapour_pressure(one(temp_c)) == pytest.approx([printed_kpa], abs=0.0005)


def test_actual_pressure_and_deficit_of_a_worked_example() -> None:
    """[FAO56] eq. 17, example 5 (from memory, recomputed): 18 degC/82 % and 25 degC/54 % give 1.70 and 0.91 kPa."""
    pressure = vapour_pressure(np.array([18.0, 25.0]), np.array([82.0, 54.0]))
    mean_saturation = saturation_vapour_pressure(np.array([18.0, 25.0])).mean()

    assert pressure.mean() == pytest.approx(1.70, abs=0.005)
    assert mean_saturation - pressure.mean() == pytest.approx(0.91, abs=0.005)


@pytest.mark.parametrize(("temp_c", "kpa"), [(15.0, 1.7058), (20.0, 2.3393), (25.0, 3.1699), (30.0, 4.2470)])
def test_the_formula_stays_near_an_independent_one(temp_c: float, kpa: float) -> None:
    """[IAPWS95] saturation pressure; the gap measured is under 0.1 % from 15 to 30 degC, the bound 0.2 %."""
    assert saturation_vapour_pressure(one(temp_c)) == pytest.approx([kpa], rel=0.002)


@pytest.mark.parametrize(
    ("temp_c", "damp_pct", "kpa"),
    [(18, 60, 0.83), (20, 50, 1.17), (20, 60, 0.94), (22, 60, 1.06), (24, 50, 1.49), (24, 60, 1.19), (25, 80, 0.63)],
)
def test_deficits_at_the_corners_of_usual_bands(temp_c: float, damp_pct: float, kpa: float) -> None:
    """[FAO56] eq. 11, computed by hand to two digits."""
    assert vapour_pressure_deficit(one(temp_c), one(damp_pct)) == pytest.approx([kpa], abs=0.006)


@pytest.mark.shared
def test_a_grid_of_two_libraries_agrees() -> None:
    """Two libraries over 0 to 45 degC and 1 to 100 %.

    psychrolib 2.5.0 and MetPy 1.7.1: deficit to 0.15 %, dew point to 0.2 degC above 0 degC, absolute humidity to 0.3 %.
    """
    path = require_shared("vectors/psychrometrics/grid_psychrolib250_metpy171.csv")
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    temp = np.array([float(row["T_degC"]) for row in rows])
    damp = np.array([float(row["RH_pct"]) for row in rows])
    deficit = np.array([float(row["psl_vpd_Pa"]) for row in rows]) / 1000
    dew = np.array([float(row["psl_dewpoint_C"]) for row in rows])
    grams = np.array([float(row["abs_humidity_gm3"]) for row in rows])

    assert len(rows) > 100
    assert vapour_pressure_deficit(temp, damp) == pytest.approx(deficit, rel=0.0015, abs=2e-3)
    warm = dew > 0
    assert dew_point(temp, damp)[warm] == pytest.approx(dew[warm], abs=0.2)
    assert absolute_humidity(temp, damp) == pytest.approx(grams, rel=0.003, abs=0.01)


@given(st.floats(0, 50), st.floats(0, 100), st.floats(0, 50))
def test_damper_air_never_lacks_more(temp_c: float, damp_pct: float, more: float) -> None:
    """A law: more vapour, less deficit; the dew point never lies above the air's temperature."""
    damper = min(damp_pct + more, 100.0)
    deficits = vapour_pressure_deficit(np.array([temp_c, temp_c]), np.array([damp_pct, damper]))

    assert deficits[1] <= deficits[0] + 1e-12
    found = dew_point(one(temp_c), one(damper))[0]
    assert np.isnan(found) or found <= temp_c + 1e-6


def test_what_lies_outside_the_span_is_no_number() -> None:
    """Below 0 and above 50 degC, humidity outside 0 to 100 %, and NaN."""
    temp = np.array([-1.0, 51.0, 20.0, 20.0, np.nan])
    damp = np.array([50.0, 50.0, -1.0, 101.0, 50.0])

    assert np.isnan(vapour_pressure_deficit(temp, damp)).all()


def test_series_of_different_shapes_are_a_wrong_call() -> None:
    """It says so."""
    with pytest.raises(ShapeError, match="same instants"):
        vapour_pressure(np.zeros(3), np.zeros(2))


def test_a_cool_leaf_lacks_less() -> None:
    """Two degrees under the air at 20 degC and 60 %: 0.66 kPa in place of 0.94."""
    assert vapour_pressure_deficit(one(20), one(60), leaf_offset_c=-2.0) == pytest.approx([0.66], abs=0.01)
