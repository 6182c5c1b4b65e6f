"""How a load cell errs by itself: told from drying, and told only where it is sure."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.celldrift import creep, temperature_drift
from monitor.loadcell import LoadCell
from tests.support.weights import HOUR_MS, cell_of, tray

Array = NDArray[np.float64]


def air_at(at_ms: Array) -> Array:
    """Return a room that warms by three degrees within two hours of the lamps coming on at six."""
    hour = np.asarray(at_ms) / HOUR_MS % 24
    up, down = np.clip((hour - 6) / 2, 0, 1) * (hour < 22), np.clip(1 - (hour - 22) / 2, 0, 1) * (hour >= 22)
    return np.asarray(20 + 3 * (up + down))


def lit_at(at_ms: Array) -> NDArray[np.bool_]:
    """Return the lamp's hours, 6 to 22."""
    hour = np.asarray(at_ms) / HOUR_MS % 24
    return np.asarray((hour >= 6) & (hour < 22))


def drying_cell(grams_per_degree: float, *, noise_g: float = 2.0) -> LoadCell:
    """Return a cell under a tray that dries by 12 g a lit and 4 g a dark hour, for three days."""
    rng = np.random.default_rng(5)
    at_h = np.arange(0, 72, 1 / 30)
    lit = lit_at(at_h * HOUR_MS)
    lost = np.cumsum(np.where(lit, 12.0, 4.0) / 30)
    grams = 3000 - lost + grams_per_degree * (air_at(at_h * HOUR_MS) - 20) + rng.normal(0, noise_g, len(at_h))
    return cell_of([(round(hour * HOUR_MS), round(float(value), 1)) for hour, value in zip(at_h, grams, strict=True)])


@pytest.mark.parametrize("grams_per_degree", [-3.0, 2.0, 5.0])
def test_a_cell_that_follows_the_temperature_is_found(grams_per_degree: float) -> None:
    """To a fifth, beside a drying that follows the same lamp."""
    drift = temperature_drift(list(drying_cell(grams_per_degree).rests), air_at, lit_at)

    assert drift is not None
    assert drift.by == pytest.approx(grams_per_degree, rel=0.2)
    assert drift.is_sure(1.0)


def test_drying_alone_is_no_drift() -> None:
    """The lamp's own drying is not blamed on the cell."""
    drift = temperature_drift(list(drying_cell(0.0).rests), air_at, lit_at)

    assert drift is not None
    assert not drift.is_sure(1.0)


def test_a_day_of_record_says_nothing() -> None:
    """Nor does a room of one temperature."""
    few = list(drying_cell(3.0).rests)[:40]

    assert temperature_drift(few, air_at, lit_at) is None
    assert temperature_drift(list(drying_cell(3.0).rests), lambda at_ms: np.full(np.shape(at_ms), 20.0), lit_at) is None


@pytest.mark.parametrize(("share", "sure"), [(0.004, True), (0.0, False)])
def test_creep_after_a_heavy_load(share: float, sure: bool) -> None:
    """6 kg laid on a pile: 24 g more within the next two hours are the cell's own."""
    rows = tray(20, start_g=7000, loss_g_h=1.0, noise_g=1.0, steps=[(3, 6000)], every_min=2)
    late = [
        (at_ms, grams + (share * 6000 * (1 - np.exp(-(at_ms / HOUR_MS - 3) / 0.5)) if at_ms >= 3 * HOUR_MS else 0.0))
        for at_ms, grams in rows
    ]
    cell = cell_of(late)
    drift = creep(tuple(cell.steps), list(cell.rests))

    assert drift is not None
    assert drift.is_sure(0.0015) is sure
