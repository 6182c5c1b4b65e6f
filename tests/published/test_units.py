"""[SP811]: conversions against NIST's factors (exact from 1 in = 25.4 mm, 1 lb = 0.45359237 kg)."""

from __future__ import annotations

import pytest

from monitor.amounts import G_PER_LB, G_PER_OZ, ML_PER_CUP, ML_PER_FL_OZ, ML_PER_QUART, read_g, read_ml, say_ml
from monitor.errors import RefusedError, UnitError
from monitor.farm import NOMINAL_TRAY_AREA_M2
from monitor.readings import Quantity
from monitor.units import factor_and_offset


# [SP811] appendix B.8 (from memory, equal to the exact definitions): cup 2.365882E-04 m3, fl oz 2.957353E-05 m3.
def test_us_measures_are_nists() -> None:
    """Cup, fluid ounce, quart, ounce and pound."""
    assert pytest.approx(236.5882, abs=5e-5) == ML_PER_CUP
    assert pytest.approx(29.57353, abs=5e-6) == ML_PER_FL_OZ
    assert pytest.approx(4 * ML_PER_CUP) == ML_PER_QUART
    assert (G_PER_OZ, G_PER_LB) == (28.349523125, 453.59237)


# Exact from 1 in = 25.4 mm: 10 x 20 in.
def test_the_nominal_tray_is_ten_by_twenty_inches() -> None:
    """1 mm of water on it weighs 129.03 g."""
    assert pytest.approx(129.03, abs=0.005) == NOMINAL_TRAY_AREA_M2 * 1000


# [SP811] B.8: t/degC = (t/degF - 32)/1.8; [HARRINGTON] converts 75 degF to 23.9, 85 to 29.4, 95 to 35.0 degC.
@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32, 0.0), (75, 23.9), (85, 29.4), (95, 35.0), (-40, -40.0)])
def test_fahrenheit_becomes_celsius(fahrenheit: float, celsius: float) -> None:
    """To the printed digit."""
    factor, offset = factor_and_offset("degF", Quantity.TEMPERATURE)

    assert factor * fahrenheit + offset == pytest.approx(celsius, abs=0.05)


# [THIMIJAN-HEINS]: 1 foot-candle is 10.764 lx.
def test_a_foot_candle_is_10_764_lux() -> None:
    """To the printed digit."""
    assert factor_and_offset("fc", Quantity.LIGHT)[0] == pytest.approx(10.764, abs=0.0005)


def test_a_unit_of_another_quantity_is_refused() -> None:
    """The refusal lists what is known."""
    with pytest.raises(UnitError, match="known are: lx"):
        factor_and_offset("Cel", Quantity.LIGHT)


@pytest.mark.parametrize(
    ("said", "units", "ml"),
    [("250", "metric", 250), ("1.5 cups", "metric", 354.9), ("2", "US", 473.2), ("0,5 l", "metric", 500)],
)
def test_amounts_are_read_as_people_write_them(said: str, units: str, ml: float) -> None:
    """A bare number is in the farm's own unit."""
    assert read_ml(said, units) == pytest.approx(ml, abs=0.05)  # type: ignore[arg-type] # parametrised


def test_rubbish_is_no_amount() -> None:
    """The refusal shows how to write one."""
    with pytest.raises(RefusedError, match="180 g"):
        read_g("a lot", "metric")


@pytest.mark.parametrize(("ml", "words"), [(236.6, "1 cup"), (60, "1/4 cup"), (400, "1 3/4 cups"), (30, "1/4 cup")])
def test_cups_are_said_to_the_nearest_quarter(ml: float, words: str) -> None:
    """What a grower can measure with a cup."""
    assert say_ml(ml, "US") == words
