"""Small lines: gaps stay open, noise stays flat, and the words say what is drawn."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from dashboards.smallline import HIGH, WIDE, small_line
from monitor.live import Recent
from monitor.readings import to_ms

END = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
DAY = timedelta(hours=24)


def recent(values: list[float], minutes_apart: float = 10.0, begin: datetime = END - DAY) -> Recent:
    """Return readings at a steady step; NaN is left out."""
    kept = [
        (to_ms(begin + timedelta(minutes=minutes_apart * n)), each) for n, each in enumerate(values) if each == each
    ]
    return Recent(
        measured_at_ms=np.array([at for at, _ in kept], dtype=np.int64), value=np.array([each for _, each in kept])
    )


def heights(run: str) -> list[float]:
    """Return how high each point of a run stands."""
    return [float(point.split(",")[1]) for point in run.split()]


def test_a_gap_stays_open() -> None:
    """Two runs, and the words count the gap."""
    line = small_line(recent([20.0] * 30 + [float("nan")] * 30 + [21.0] * 80), END - DAY, END, "{:.1f}".format, "air")

    assert line is not None
    assert len(line.runs) == 2
    assert line.says == "air, last 24 h: 20.0 to 21.0, 1 gap"


def test_it_fills_its_box_and_no_more() -> None:
    """From the left edge, within the height, lowest value lowest."""
    line = small_line(recent([18.0, 25.0, 18.0] * 48), END - DAY, END, "{:.1f}".format, "air")

    assert line is not None
    across = [float(point.split(",")[0]) for point in line.runs[0].split()]
    assert min(across) == 0.0
    assert max(across) == pytest.approx(WIDE, abs=1)
    assert min(heights(line.runs[0])) == pytest.approx(2)
    assert max(heights(line.runs[0])) == pytest.approx(HIGH - 2)


def test_noise_stays_nearly_flat() -> None:
    """A cold store that swings by a tenth of a degree is no drama."""
    line = small_line(recent([3.4, 3.5] * 72), END - DAY, END, "{:.1f}".format, "air", least=3.0)

    assert line is not None
    assert max(heights(line.runs[0])) - min(heights(line.runs[0])) < 1


def test_of_nothing_there_is_no_line() -> None:
    """Nothing heard, or nothing in these hours."""
    assert small_line(recent([]), END - DAY, END, str, "air") is None
    assert small_line(recent([20.0], begin=END - 3 * DAY), END - DAY, END, str, "air") is None
