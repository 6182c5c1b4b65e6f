"""Moist air against printed examples and reference libraries' values."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from monitor.air import (
    absolute_humidity,
    dew_point,
    humidity_ratio,
    saturation_vapour_pressure,
    vapour_pressure,
    vapour_pressure_deficit,
)
from monitor.errors import ShapeError
from tests.support.needs import require_shared

DATA = Path(__file__).parents[1] / "data"
GRID = DATA / "psychrometrics_grid.csv"
ROOM = DATA / "room_uci_excerpt.csv"
ATMOSPHERE_PA = 101_325.0
Numbers = NDArray[np.float64]
Points = Callable[[], dict[str, Numbers]]


def one(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return one number as an array."""
    return np.array([value])


@pytest.mark.parametrize(("temp_c", "printed_kpa"), [(15.0, 1.705), (24.5, 3.075)])
def test_saturation_pressure_is_as_printed(temp_c: float, printed_kpa: float) -> None:
    """[FAO56] ch. 3 example 3: checks that the formula was copied right; half of the last printed digit."""
    assert saturation_vapour_pressure(one(temp_c)) == pytest.approx([printed_kpa], abs=0.0005)


TABLE_2_3 = {
    1: 0.657, 5: 0.872, 8: 1.073, 10: 1.228, 12: 1.403, 15: 1.705, 16: 1.818, 18: 2.064, 18.5: 2.130, 19: 2.197,
    20: 2.338, 20.5: 2.412, 21: 2.487, 22: 2.644, 23: 2.809, 24: 2.984, 24.5: 3.075, 25: 3.168, 26: 3.361, 27: 3.565,
    28: 3.780, 30: 4.243, 32: 4.755, 35: 5.623, 40: 7.376,
}  # fmt: skip


@pytest.mark.parametrize(("temp_c", "printed_kpa"), TABLE_2_3.items())
def test_saturation_pressures_of_the_annex(temp_c: float, printed_kpa: float) -> None:
    """[FAO56] annex 2, table 2.3, to the printed digits; all but 15 and 24.5 degC are from memory."""
    assert round(float(saturation_vapour_pressure(one(temp_c))[0]), 3) == printed_kpa


def test_mean_saturation_pressure_of_a_day() -> None:
    """[FAO56] example 3 prints 2.39 kPa for 15 and 24.5 degC; [SIRAD] 2.698918 for 19.1 and 25.1 degC, eq. 12."""
    example = saturation_vapour_pressure(np.array([15.0, 24.5])).mean()
    elsewhere = saturation_vapour_pressure(np.array([19.1, 25.1])).mean()

    assert round(float(example), 2) == 2.39
    assert elsewhere == pytest.approx(2.698918, abs=5e-7)


def test_vapour_pressure_by_a_wet_thermometer() -> None:
    """[FAO56] example 4 (from memory, recomputed): 25.6 dry and 19.5 wet at 87.9 kPa give 2.267 and 1.91 kPa."""
    wet_kpa = float(saturation_vapour_pressure(one(19.5))[0])
    air_kpa = wet_kpa - 0.000662 * 87.9 * (25.6 - 19.5)  # eq. 15 and 16, ventilated
    damp_pct = air_kpa / saturation_vapour_pressure(one(25.6)) * 100

    assert round(wet_kpa, 3) == 2.267
    assert round(float(vapour_pressure(one(25.6), damp_pct)[0]), 2) == 1.91


@pytest.mark.parametrize(
    ("temp_c", "damp_pct", "dew_c"),
    [
        (20, 50, 9.26), (20, 60, 12.00), (20, 80, 16.44), (22, 60, 13.88), (24, 50, 12.93), (25, 50, 13.85),
        (25, 60, 16.69), (25, 80, 21.31), (18, 90, 16.33), (30, 70, 23.93),
    ],
)  # fmt: skip
def test_dew_points_by_another_formula(temp_c: float, damp_pct: float, dew_c: float) -> None:
    """[WMO-MAGNUS] constants 17.62 and 243.12, computed to two places: the largest gap is 0.02 degC, the bound 0.03."""
    share = np.log(damp_pct / 100) + 17.62 * temp_c / (243.12 + temp_c)

    assert dew_point(one(temp_c), one(damp_pct)) == pytest.approx([dew_c], abs=0.03)
    assert dew_point(one(temp_c), one(damp_pct)) == pytest.approx([243.12 * share / (17.62 - share)], abs=0.02)


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


def grid() -> dict[str, Numbers]:
    """Return the columns of 130 points, 0 to 45 degC and 1 to 100 %, as two libraries reckoned them."""
    with GRID.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def dense() -> dict[str, Numbers]:
    """Return 9,100 points, every half degree from 0 to 45 and every per cent from 1 to 100, asked of psychrolib."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    temps, damps = (each.ravel() for each in np.meshgrid(np.arange(0, 45.1, 0.5), np.arange(1.0, 101.0)))
    ratios = [psychrolib.GetHumRatioFromRelHum(t, h / 100, ATMOSPHERE_PA) for t, h in zip(temps, damps, strict=True)]
    deficits = [
        psychrolib.GetVaporPressureDeficit(t, ratio, ATMOSPHERE_PA) for t, ratio in zip(temps, ratios, strict=True)
    ]
    return {
        "T_degC": temps,
        "RH_pct": damps,
        "psl_es_Pa": np.array([psychrolib.GetSatVapPres(t) for t in temps]),
        "psl_vpd_Pa": np.array(deficits),
        "psl_dewpoint_C": np.array(
            [psychrolib.GetTDewPointFromRelHum(t, h / 100) for t, h in zip(temps, damps, strict=True)]
        ),
        "psl_humratio_kgkg_101325Pa": np.array(ratios),
    }


def gap(ours: Numbers, theirs: Numbers, where: NDArray[np.bool_] | None = None) -> tuple[float, float]:
    """Return the largest gap, in the unit and in per cent of theirs (where theirs is not nought)."""
    where = np.ones(len(ours), dtype=bool) if where is None else where
    off, size = np.abs(ours - theirs)[where], np.abs(theirs)[where]
    return float(off.max()), float((off[size > 0] / size[size > 0]).max() * 100)


@pytest.mark.parametrize("points", [pytest.param(grid, id="130 points"), pytest.param(dense, id="9,100 points")])
def test_saturation_pressure_and_deficit_against_a_reference_library(points: Points) -> None:
    """[PSYCHROLIB] 2.5.0: largest gap 0.0107 kPa, 0.112 % of saturation pressure and of deficit, both at 45 degC.

    From 10 to 30 degC it is 0.0030 kPa, 0.070 %. The bounds are the next round numbers.
    """
    known = points()
    temp, damp, deficit_kpa = known["T_degC"], known["RH_pct"], known["psl_vpd_Pa"] / 1000
    saturation = gap(saturation_vapour_pressure(temp), known["psl_es_Pa"] / 1000)
    deficit = gap(vapour_pressure_deficit(temp, damp), deficit_kpa, damp < 100)
    in_a_room = gap(vapour_pressure_deficit(temp, damp), deficit_kpa, (temp >= 10) & (temp <= 30) & (damp < 100))

    assert saturation[0] < 0.011
    assert saturation[1] < 0.12
    assert deficit[0] < 0.011
    assert deficit[1] < 0.12
    assert in_a_room[0] < 0.003
    assert in_a_room[1] < 0.08


@pytest.mark.parametrize("points", [pytest.param(grid, id="130 points"), pytest.param(dense, id="9,100 points")])
def test_dew_point_against_a_reference_library(points: Points) -> None:
    """[PSYCHROLIB] 2.5.0: largest gap 0.017 degC where the dew point lies above 0 degC; the bound is 0.02.

    Below it psychrolib's is the frost point over ice, ours over water: up to 3.6 degC lower, never higher.
    """
    known = points()
    ours, theirs = dew_point(known["T_degC"], known["RH_pct"]), known["psl_dewpoint_C"]

    assert gap(ours, theirs, theirs > 0)[0] < 0.02
    assert 3.5 < (theirs - ours)[theirs < 0].max() < 3.6
    assert (theirs - ours)[theirs < 0].min() > -0.02


@pytest.mark.parametrize("points", [pytest.param(grid, id="130 points"), pytest.param(dense, id="9,100 points")])
def test_humidity_ratio_against_a_reference_library(points: Points) -> None:
    """[PSYCHROLIB] 2.5.0 at 101.325 kPa: largest gap 0.115 %, 0.000075 kg/kg, at 45 degC and 100 %; bound 0.12 %."""
    known = points()
    wet = known["psl_humratio_kgkg_101325Pa"] > 0.001  # the file's ratios are printed to seven places

    off = gap(humidity_ratio(known["T_degC"], known["RH_pct"]), known["psl_humratio_kgkg_101325Pa"], wet)

    assert off[0] < 0.00008
    assert off[1] < 0.12


def test_a_third_library_and_absolute_humidity() -> None:
    """[METPY] 1.7.1 over the same 130 points: saturation 0.36 %, dew point 0.145 degC above 0 degC, g/m3 0.116 %.

    MetPy 1.7.1 uses a formula of its own for saturation; the gap to psychrolib is the same, so it is not ours. The
    absolute humidity in the file was computed from psychrolib's pressure with the gas law.
    """
    known = grid()
    temp, damp = known["T_degC"], known["RH_pct"]
    above = known["metpy_dewpoint_C"] > 0

    assert gap(saturation_vapour_pressure(temp), known["metpy_es_Pa"] / 1000)[1] < 0.4
    assert gap(dew_point(temp, damp), known["metpy_dewpoint_C"], above)[0] < 0.15
    assert gap(absolute_humidity(temp, damp), known["abs_humidity_gm3"])[1] < 0.12


def test_humidity_ratio_is_that_of_a_real_rooms_record() -> None:
    """[UCI-OCCUPANCY] the record's own column of 1,500 minutes: largest gap 0.038 %; the bound 0.04 %."""
    with ROOM.open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    temp, damp, ratio = (np.array([float(row[place]) for row in rows]) for place in (2, 3, 5))

    assert len(rows) == 1500
    assert gap(humidity_ratio(temp, damp), ratio)[1] < 0.04


@pytest.mark.shared
def test_humidity_ratio_of_all_eight_days() -> None:
    """[UCI-OCCUPANCY] 10,808 minutes: largest gap 0.038 % (0.0000019 kg/kg); the bound 0.04 %."""
    folder = require_shared("room_uci")
    rows = []
    for name in ("datatraining.txt", "datatest.txt"):
        with (folder / name).open(encoding="utf-8") as file:
            rows += list(csv.reader(file))[1:]
    temp, damp, ratio = (np.array([float(row[place]) for row in rows]) for place in (2, 3, 6))

    assert len(rows) == 10_808
    assert gap(humidity_ratio(temp, damp), ratio)[1] < 0.04


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
