"""How fast a tray dries, in lit and in dark hours, from the half hours in which nothing happened to it; pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.loadcell import BIN_MS, Rest

Array = NDArray[np.float64]
LitAt = Callable[[Array], NDArray[np.bool_]]
"""Instants in ms since 1970 UTC -> whether lamp light falls on the tray then."""
DeficitAt = Callable[[Array], Array]
"""Instants in ms since 1970 UTC -> vapour pressure deficit of its air, NaN where not known. [kPa]"""

USUAL_DEFICIT_KPA = 1.0
LIT_POWER, DARK_POWER = 0.5, 1.0
"""How strongly the drying follows the vapour pressure deficit: in the dark in proportion, as evaporation does; in the
light half as much, since the lamp's heat evaporates too ([FAO56] ch. 2, the two terms of evapotranspiration)."""
_MEMORY_H = 30.0
_PRIOR_H = 3.0
_LONGEST_PAIR_MS = 4 * 3_600_000
_MOST_G_H = 60.0
_BARE = 0.3  # share of the full canopy's loss that an open tray without leaves has


@dataclass(frozen=True, slots=True, kw_only=True)
class DryingRate:
    """Loss of a tray with a closed canopy at the usual deficit.

    Attributes:
        lit_g_h: In lit hours. [g/h]
        dark_g_h: In dark hours. [g/h]
        hours: Hours of record that speak, recent ones counting full. [h]
        spread: Relative standard deviation of the half-hourly losses about it. [-]
    """

    lit_g_h: float
    dark_g_h: float
    hours: float
    spread: float


def usual_rate(scale: float = 1.0) -> DryingRate:
    """Return what is taken for the drying rate before the record says; for a tray of ``scale`` nominal areas.

    Common practice, no source: a full canopy loses 130 to 400 g a day at about 1 kPa, a third as fast in the dark.
    """
    return DryingRate(lit_g_h=13.0 * scale, dark_g_h=4.5 * scale, hours=0.0, spread=0.35)


def strength(cover: Array, deficit_kpa: Array, lit: NDArray[np.bool_]) -> Array:
    """Return by what a loss differs from that of a closed canopy at the usual deficit.

    Args:
        cover: Share of the tray that leaves cover, any shape. [0-1]
        deficit_kpa: Vapour pressure deficit of the air; NaN counts as usual. [kPa]
        lit: Whether lamp light falls on it.
    """
    deficit = np.where(np.isnan(deficit_kpa), USUAL_DEFICIT_KPA, np.clip(deficit_kpa, 0.05, 4.0))
    power = np.where(lit, LIT_POWER, DARK_POWER)
    return np.asarray((_BARE + (1 - _BARE) * cover) * (deficit / USUAL_DEFICIT_KPA) ** power)


def neighbours(rests: Sequence[Rest], longest_ms: int) -> list[tuple[Rest, Rest]]:
    """Return neighbouring half hours of rest that no step lies between, and no longer gap."""
    return [(a, b) for a, b in pairwise(rests) if a.run == b.run and 0 < b.at_ms - a.at_ms <= longest_ms]


def losses(rests: Sequence[Rest]) -> tuple[Array, Array, Array, Array]:
    """Return (middle in ms, hours, loss in g, weight in g) between neighbouring half hours without a step between."""
    middle, hours, loss, weight = [], [], [], []
    for first, second in neighbours(rests, _LONGEST_PAIR_MS):
        middle.append((first.at_ms + second.at_ms) / 2)
        hours.append((second.at_ms - first.at_ms) / 3_600_000)
        loss.append(first.grams - second.grams)
        weight.append((first.grams + second.grams) / 2)
    return np.array(middle), np.array(hours), np.array(loss), np.array(weight)


def drying_rate(
    rests: Sequence[Rest],
    now_ms: float,
    *,
    lit_at: LitAt,
    deficit_at: DeficitAt,
    cover_at: Callable[[Array], Array],
    slowed_at: Callable[[Array, Array], Array],
    since_ms: float,
    prior: DryingRate,
) -> DryingRate:
    """Return the drying rate over the recent past, robust against what is left of disturbances.

    Args:
        rests: Half hours of rest, oldest first.
        now_ms: The present. [ms since 1970 UTC]
        lit_at: When lamp light falls on the tray.
        deficit_at: Its air.
        cover_at: How much leaves cover at an instant.
        slowed_at: (instants, weights) -> by what lack of water slowed it then, 1 where it did not.
        since_ms: What came earlier (under a cover) does not count. [ms since 1970 UTC]
        prior: What is taken for it before the record says; counts like three hours of record.
    """
    middle, hours, loss, weight = losses(rests)
    keep = (middle >= since_ms) & (np.abs(loss) <= _MOST_G_H * np.maximum(hours, 0.5))
    if not np.any(keep):
        return prior
    middle, hours, loss, weight = middle[keep], hours[keep], loss[keep], weight[keep]
    slowed = np.maximum(slowed_at(middle, weight), 0.15)
    effect = hours * slowed * strength(cover_at(middle), deficit_at(middle), lit_at(middle))
    fade = np.exp(-(now_ms - middle) / 3_600_000 / _MEMORY_H)
    lit = lit_at(middle) & lit_at(middle - BIN_MS / 2) & lit_at(middle + BIN_MS / 2)
    dark = ~lit_at(middle) & ~lit_at(middle - BIN_MS / 2) & ~lit_at(middle + BIN_MS / 2)
    lit_g_h = _robust(loss[lit], effect[lit], fade[lit], prior.lit_g_h)
    dark_g_h = _robust(loss[dark], effect[dark], fade[dark], prior.dark_g_h)
    expected = effect * np.where(lit, lit_g_h, dark_g_h)
    known = lit | dark
    spread = prior.spread
    if known.sum() >= 6:
        total = np.maximum(np.add.reduceat(expected[known], np.arange(0, known.sum(), 6)), 1.0)
        found = np.add.reduceat(loss[known], np.arange(0, known.sum(), 6))
        spread = float(np.clip(np.median(np.abs(found / total - 1)) / 0.6745, 0.05, 0.4))
    return DryingRate(lit_g_h=lit_g_h, dark_g_h=dark_g_h, hours=float((hours * fade).sum()), spread=spread)


def _robust(loss: Array, effect: Array, fade: Array, prior_g_h: float) -> float:
    """Return the loss by unit of effect, what stands out trimmed; the prior counts like a few hours."""
    weight = fade.copy()
    rate = prior_g_h
    for _ in range(3):
        rate = float((np.sum(weight * loss) + _PRIOR_H * prior_g_h * 0.5) / (np.sum(weight * effect) + _PRIOR_H * 0.5))
        off = loss - rate * effect
        scale = max(1.4826 * float(np.median(np.abs(off))), 0.5) if len(off) else 1.0
        weight = fade * np.minimum(1.0, 3 * scale / np.maximum(np.abs(off), 1e-9))
    return max(rate, 0.05 * prior_g_h)
