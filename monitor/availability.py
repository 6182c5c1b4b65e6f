"""Available water of a tray by mass: how much the roots can draw, how much is left, and what a pour brings back; pure.

Source: [FAO56] ch. 8, equations 82 to 84 (total and readily available water, stress coefficient), with grams for
millimetres: a tray is weighed, so its water needs no depth. The fraction is counted so that a tray just drained has
1 and one whose plants limp has the profile's wilting fraction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def total_available_water(at_capacity_m3_m3: float, at_wilting_m3_m3: float, rooted_m: float) -> float:
    """Return what roots can draw from a drained medium, TAW, as a depth. [mm].

    Args:
        at_capacity_m3_m3: Water held after draining, as a share of volume. [m3/m3]
        at_wilting_m3_m3: Water that roots cannot draw, likewise. [m3/m3]
        rooted_m: Rooted depth; of a tray, the depth of its medium. [m]

    Source:
        [FAO56] eq. 82: TAW = 1000 (theta_FC - theta_WP) Zr.
    """
    return 1000.0 * (at_capacity_m3_m3 - at_wilting_m3_m3) * rooted_m


def depth_to_grams(depth_mm: float, area_m2: float) -> float:
    """Return a depth of water on a tray as grams: 1 mm on 1 m2 is 1 kg, to 0.3 % at room temperature."""
    return depth_mm * area_m2 * 1000.0


def readily_available_water(total: float, depletion_fraction: float) -> float:
    """Return what roots can draw without stress, RAW, in the unit of ``total``. Source: [FAO56] eq. 83."""
    return depletion_fraction * total


def stress_coefficient(depleted: Array | float, total: Array | float, depletion_fraction: float) -> Array:
    """Return Ks, by which drying slows once the readily available water is gone; 1 without stress, 0 at the end.

    Args:
        depleted: Water gone since capacity, any shape. [unit of total]
        total: Total available water. [g or mm]
        depletion_fraction: p, the share of it that goes without stress. [0-1]

    Source:
        [FAO56] eq. 84: Ks = (TAW - Dr) / ((1 - p) TAW).
    """
    total = np.asarray(total, dtype=float)
    left = (total - np.asarray(depleted, dtype=float)) / ((1.0 - depletion_fraction) * total)
    return np.asarray(np.clip(left, 0.0, 1.0))


def fraction_left(weight_g: Array | float, full_g: Array | float, limp_g: Array | float, wilting: float) -> Array:
    """Return the available water fraction of a tray by its weight; over 1 where water stands in the bottom tray.

    Args:
        weight_g: Its weight. [g]
        full_g: What it weighs just drained, with its plants of today. [g]
        limp_g: What it weighs when they limp, with its plants of today. [g]
        wilting: Available water fraction at which they limp. [0-1]
    """
    share = (np.asarray(weight_g, dtype=float) - limp_g) / (np.asarray(full_g, dtype=float) - limp_g)
    return np.asarray(wilting + (1.0 - wilting) * share)


def pour_to_target(deficit_g: float, *, target: float, left: float, most_g: float) -> float:
    """Return the grams (= millilitres to 0.3 % at room temperature) that bring a tray to its target fraction.

    Args:
        deficit_g: What it could still take to be full; standing water counts against it. [g]
        target: Fraction that it is to be brought to. [0-1]
        left: Fraction that it has. [0-1]
        most_g: What tray and bottom tray hold at once. [g]
    """
    if deficit_g <= 0 or left >= target:
        return 0.0
    share = (target - left) / (1.0 - left) if left < 1.0 else 0.0
    return min(deficit_g * share, most_g)
