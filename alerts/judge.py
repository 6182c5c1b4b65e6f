"""Whether a quantity has been outside its span for long enough to tell; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from monitor.live import LiveState, Recent
from monitor.readings import from_ms, to_ms

STALE_AFTER = timedelta(minutes=30)
"""A reading stands for so long; older ones say nothing of now."""
INTERVALS = 1.5
"""A reading speaks for so many usual intervals of its sensor where that is longer, else one that speaks hourly would
raise an alarm anew each hour. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """A quantity outside its span.

    Attributes:
        is_low: Under the lower end; else over the upper.
        since: Instant of the first reading of the unbroken run outside.
        value: The newest value. [stored unit]
        limit: The end that was passed. [stored unit]
    """

    is_low: bool
    since: datetime
    value: float
    limit: float


def outside_run(recent: Recent, low: float | None, high: float | None) -> Outside | None:
    """Return the unbroken run of readings outside a span that lasts to the newest, or None."""
    if not len(recent.value):
        return None
    newest = float(recent.value[-1])
    under = np.zeros(len(recent.value), dtype=bool) if low is None else recent.value < low
    over = np.zeros(len(recent.value), dtype=bool) if high is None else recent.value > high
    wrong = under | over
    if not wrong[-1]:
        return None
    inside = np.flatnonzero(~wrong)
    first = int(inside[-1]) + 1 if len(inside) else 0
    is_low = bool(under[-1])
    limit = low if is_low else high
    return Outside(
        is_low=is_low,
        since=from_ms(int(recent.measured_at_ms[first])),
        value=newest,
        limit=limit if limit is not None else newest,
    )


def judge(
    live: LiveState,
    sensor: str,
    low: float | None,
    high: float | None,
    hold: timedelta,
    now: datetime,
    *,
    instead: Recent | None = None,
) -> Outside | None:
    """Return how a sensor has been outside a span for at least ``hold``; one good reading ends it.

    A sensor whose newest reading is old says nothing here; that it is silent is a finding of its own. ``instead``
    stands for its readings where they are not to be taken as they are.
    """
    speaks_for = max(hold, STALE_AFTER, INTERVALS * (live.usual_interval(sensor) or timedelta(0)))
    recent = instead or live.recent(sensor, now - speaks_for - hold - timedelta(hours=2))
    if not len(recent.value) or int(recent.measured_at_ms[-1]) < to_ms(now - speaks_for):
        return None
    run = outside_run(recent, low, high)
    return run if run is not None and now - run.since >= hold else None
