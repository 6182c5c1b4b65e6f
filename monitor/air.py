"""What moist air is like: saturation pressure, deficit, dew point, absolute humidity, humidity ratio; pure.

All functions take arrays of one shape and return that shape; what lies outside the span, or is NaN, becomes NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ShapeError

Array = NDArray[np.float64]
LOWEST_C, HIGHEST_C = 0.0, 50.0
"""Span of temperatures that these formulas are used in; our choice, for indoor air. [degC]"""
_GAS_CONSTANT_VAPOUR = 461.5  # J kg-1 K-1, [FAO56] annex 3 gives 287 / 0.622
_VAPOUR_TO_AIR = 0.622  # molecular mass of water vapour over that of dry air, [FAO56] eq. 8
STANDARD_PRESSURE_KPA = 101.325
"""Air pressure at sea level, exact by definition. [kPa]"""


def _usable(air_temp_c: Array, rel_humidity_pct: Array | None = None) -> NDArray[np.bool_]:
    """Tell which values lie inside the span."""
    good = (air_temp_c >= LOWEST_C) & (air_temp_c <= HIGHEST_C)
    if rel_humidity_pct is not None:
        if air_temp_c.shape != rel_humidity_pct.shape:
            raise ShapeError(
                f"air_temp_c has shape {air_temp_c.shape}, rel_humidity_pct {rel_humidity_pct.shape}; "
                "put both on the same instants first"
            )
        good = good & (rel_humidity_pct >= 0) & (rel_humidity_pct <= 100)
    return np.asarray(good)


def saturation_vapour_pressure(air_temp_c: Array) -> Array:
    """Return the pressure of vapour over water in saturated air. [kPa].

    Args:
        air_temp_c: Temperature, any shape. [degC]

    Source:
        [FAO56] eq. 11.
    """
    air_temp_c = np.asarray(air_temp_c, dtype=float)
    kpa = 0.6108 * np.exp(17.27 * air_temp_c / (air_temp_c + 237.3))
    return np.where(_usable(air_temp_c), kpa, np.nan)


def vapour_pressure(air_temp_c: Array, rel_humidity_pct: Array) -> Array:
    """Return the pressure of the vapour in air. [kPa].

    Args:
        air_temp_c: Air temperature, any shape. [degC]
        rel_humidity_pct: Relative humidity over liquid water, the same shape. [%]

    Raises:
        ShapeError: The two differ in shape.
    """
    air_temp_c, damp = np.asarray(air_temp_c, dtype=float), np.asarray(rel_humidity_pct, dtype=float)
    good = _usable(air_temp_c, damp)
    return np.where(good, saturation_vapour_pressure(air_temp_c) * damp / 100, np.nan)


def vapour_pressure_deficit(air_temp_c: Array, rel_humidity_pct: Array, leaf_offset_c: float = 0.0) -> Array:
    """Return how far air is from saturating a leaf (or itself), expressed as a pressure. [kPa].

    Args:
        air_temp_c: Air temperature, any shape. [degC]
        rel_humidity_pct: Relative humidity over liquid water, the same shape. [%]
        leaf_offset_c: Leaf temperature less air temperature; 0 gives the deficit of the air itself. [degC]

    Raises:
        ShapeError: The two differ in shape.
    """
    leaf_c = np.asarray(air_temp_c, dtype=float) + leaf_offset_c
    return saturation_vapour_pressure(leaf_c) - vapour_pressure(air_temp_c, rel_humidity_pct)


def dew_point(air_temp_c: Array, rel_humidity_pct: Array) -> Array:
    """Return the temperature at which air of this vapour would be saturated; NaN for wholly dry air. [degC].

    Args:
        air_temp_c: Air temperature, any shape. [degC]
        rel_humidity_pct: Relative humidity over liquid water, the same shape. [%]

    Source:
        [FAO56] eq. 14, the inverse of eq. 11.
    """
    kpa = vapour_pressure(air_temp_c, rel_humidity_pct)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(kpa / 0.6108)
        found = 237.3 * ratio / (17.27 - ratio)
    return np.where(np.isfinite(found), found, np.nan)


def absolute_humidity(air_temp_c: Array, rel_humidity_pct: Array) -> Array:
    """Return the mass of vapour in a volume of air. [g m-3].

    Args:
        air_temp_c: Air temperature, any shape. [degC]
        rel_humidity_pct: Relative humidity over liquid water, the same shape. [%]

    Source:
        The gas law with the gas constant of water vapour, 461.5 J kg-1 K-1 ([FAO56] annex 3).
    """
    kelvin = np.asarray(air_temp_c, dtype=float) + 273.15
    return vapour_pressure(air_temp_c, rel_humidity_pct) * 1e6 / (_GAS_CONSTANT_VAPOUR * kelvin)


def humidity_ratio(air_temp_c: Array, rel_humidity_pct: Array, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> Array:
    """Return the mass of vapour by the mass of the dry air that it is mixed with. [kg kg-1].

    Args:
        air_temp_c: Air temperature, any shape. [degC]
        rel_humidity_pct: Relative humidity over liquid water, the same shape. [%]
        pressure_kpa: Pressure of the air, vapour and all; over 20. [kPa]

    Raises:
        ShapeError: The two differ in shape.

    Source:
        Dalton's law with the ratio of molecular masses of [FAO56] eq. 8.
    """
    kpa = vapour_pressure(air_temp_c, rel_humidity_pct)
    return _VAPOUR_TO_AIR * kpa / (pressure_kpa - kpa)
