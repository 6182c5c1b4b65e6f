"""A small line in a line of text: the last hours of a sensor, gaps left open; pure. One macro draws it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from dashboards.thin import thin
from monitor.live import Recent
from monitor.readings import to_ms

WIDE, HIGH = 100.0, 24.0
"""The box that it is drawn in; the page gives it its size."""
_POINTS = 60
_GAP = timedelta(minutes=45)
_MS = timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallLine:
    """A drawn small line.

    Attributes:
        runs: Points of each stretch between two gaps, as SVG has them.
        says: What it shows, with numbers.
    """

    runs: tuple[str, ...]
    says: str


def small_line(
    recent: Recent,
    begins_at: datetime,
    ends_at: datetime,
    say: Callable[[float], str],
    name: str,
    *,
    least: float = 0.0,
) -> SmallLine | None:
    """Return the course of a sensor over some hours; None: nothing was heard.

    Args:
        recent: Its usable readings.
        begins_at: Where the line begins.
        ends_at: Where it ends.
        say: How a value is said.
        name: What is shown, e.g. ``temperature``.
        least: A smaller spread than this is not drawn over the whole height; it is noise.
    """
    begin_ms, end_ms = to_ms(begins_at), to_ms(ends_at)
    inside = (recent.measured_at_ms >= begin_ms) & (recent.measured_at_ms <= end_ms)
    at_ms, value = recent.measured_at_ms[inside], recent.value[inside]
    if not len(value):
        return None
    low, high = float(value.min()), float(value.max())
    gap_ms = _GAP // _MS
    times, values = thin(at_ms, value, points=_POINTS, gap_ms=gap_ms)
    span = max(high - low, least) or 1.0
    height = HIGH / 2 - (values - (low + high) / 2) / span * (HIGH - 4)
    holes = np.flatnonzero(np.isnan(values))
    pieces = [
        (piece_ms[~np.isnan(piece)], piece[~np.isnan(piece)])
        for piece_ms, piece in zip(np.split(times, holes), np.split(height, holes), strict=True)
    ]
    hours = round((ends_at - begins_at) / timedelta(hours=1))
    gaps = f", {len(holes)} gap{'s' if len(holes) > 1 else ''}" if len(holes) else ""
    across = WIDE / max(end_ms - begin_ms, 1)
    return SmallLine(
        runs=tuple(
            " ".join(
                f"{(at - begin_ms) * across:.1f},{y:.1f}"
                for at, y in zip(piece_ms.tolist(), piece.tolist(), strict=True)
            )
            for piece_ms, piece in pieces
        ),
        says=f"{name}, last {hours} h: {say(low)} to {say(high)}{gaps}",
    )
