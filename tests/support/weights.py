"""Weights that tests make up: a tray on a scale, minute by minute, with what is done to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.loadcell import LoadCell

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
Row = tuple[int, float]


def tray(
    hours: float,
    *,
    start_g: float = 1800.0,
    loss_g_h: float = 10.0,
    noise_g: float = 2.0,
    steps: Sequence[tuple[float, float]] = (),
    away: Sequence[tuple[float, float]] = (),
    begin_ms: int = 0,
    every_min: float = 1.0,
    seed: int = 3,
) -> list[Row]:
    """Return the readings of a tray.

    Args:
        hours: How long.
        start_g: Weight at the beginning. [g]
        loss_g_h: What it loses. [g/h]
        noise_g: Standard deviation of the cell. [g]
        steps: (hour, grams) by which it changes for good.
        away: (hour, minutes) for which nothing lies on it.
        begin_ms: Instant of the first reading. [ms]
        every_min: Between readings. [min]
        seed: Of the noise.
    """
    rng = np.random.default_rng(seed)
    at_h = np.arange(0, hours, every_min / 60)
    grams = start_g - loss_g_h * at_h + rng.normal(0, noise_g, len(at_h))
    for hour, change in steps:
        grams = grams + change * (at_h >= hour)
    for hour, minutes in away:
        grams = np.where((at_h >= hour) & (at_h < hour + minutes / 60), rng.normal(0, noise_g, len(at_h)), grams)
    return [(begin_ms + round(hour * HOUR_MS), round(float(value), 1)) for hour, value in zip(at_h, grams, strict=True)]


def cell_of(rows: Sequence[Row], *, carries_g: float | None = None) -> LoadCell:
    """Return a load cell that has taken some readings."""
    cell = LoadCell(carries_g=carries_g)
    for at_ms, grams in rows:
        cell.take(at_ms, grams)
    return cell
