"""Light by local days: hours lit, dark and unknown, and the daily light integral; pure.

A gap is unknown, not dark: what a sensor did not tell is stated beside what it did.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.clock import at_local
from monitor.errors import ShapeError
from monitor.readings import Quantity, to_ms

Array = NDArray[np.float64]

LUX_PER_UMOL: Mapping[str, float] = {
    "sun": 54.0,
    "blue sky": 52.0,
    "metal halide": 71.0,
    "high-pressure sodium": 82.0,
    "cool-white fluorescent": 74.0,
    "incandescent": 50.0,
}
"""Lux for each umol m-2 s-1 of 400 to 700 nm, by what shines. Source: [THIMIJAN-HEINS]. Red and blue mixes and LEDs lie
far off any of these: measure a factor once with a quantum meter. [lx per umol m-2 s-1]"""

LIT_FROM: Mapping[Quantity, float] = {Quantity.LIGHT: 200.0, Quantity.PPFD: 5.0}
"""A shelf counts as lit from here on. Common practice, no source. [lx; umol m-2 s-1]"""
DARK_UNDER: Mapping[Quantity, float] = {Quantity.LIGHT: 120.0, Quantity.PPFD: 3.0}
"""A lit shelf counts as dark again under this. Common practice, no source. [lx; umol m-2 s-1]"""
LONGEST_GAP = timedelta(minutes=30)
_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LightDay:
    """The light of one local day.

    Attributes:
        day: The local day; it has 23 or 25 hours where the clocks change.
        lit_h: Hours lit. [h]
        dark_h: Hours dark. [h]
        unknown_h: Hours of which nothing is known. [h]
        mol_m2: Light integral of the hours that are known; None: it cannot be reckoned. [mol m-2]
    """

    day: date
    lit_h: float
    dark_h: float
    unknown_h: float
    mol_m2: float | None = None


def lux_factor(own: float | None, lamp_kind: str | None) -> float | None:
    """Return the lux for each umol of a light sensor: its own, or its lamp's; None: not said. [lx per umol m-2 s-1]."""
    return own or LUX_PER_UMOL.get(lamp_kind or "")


def is_lit(values: Array, on_from: float, off_under: float) -> NDArray[np.bool_]:
    """Return whether each reading counts as lit, with a dead zone between dark and lit.

    Args:
        values: In order of time, shape (n,).
        on_from: Dark becomes lit from here on.
        off_under: Lit becomes dark under this; not over ``on_from``.
    """
    clear = np.where(values >= on_from, 1, np.where(values < off_under, 0, -1))
    place = np.where(clear >= 0, np.arange(len(values)), -1)
    last = np.maximum.accumulate(place) if len(values) else place
    return np.asarray(np.where(last >= 0, clear[np.maximum(last, 0)] == 1, values >= (on_from + off_under) / 2))


def light_days(
    at_ms: NDArray[np.int64],
    values: Array,
    quantity: Quantity,
    first: date,
    last: date,
    zone: ZoneInfo,
    *,
    now_ms: int,
    lux_per_umol: float | None = None,
) -> tuple[LightDay, ...]:
    """Return the light of some local days, both ends included.

    Each reading stands until the next one, at most for ``LONGEST_GAP``.

    Args:
        at_ms: Instants of usable readings, ascending, shape (n,). [ms since 1970 UTC]
        values: What they show, shape (n,). [lx, or umol m-2 s-1]
        quantity: Light or photon flux.
        first: First local day.
        last: Last local day.
        zone: The farm's zone.
        now_ms: What lies after this is neither lit, dark nor unknown. [ms since 1970 UTC]
        lux_per_umol: For lux: the factor of what shines; None: no integral. [lx per umol m-2 s-1]

    Raises:
        ShapeError: The two arrays differ in length.
    """
    if at_ms.shape != values.shape:
        raise ShapeError(f"at_ms has shape {at_ms.shape}, values {values.shape}; give one value an instant")
    lit = is_lit(values, LIT_FROM[quantity], DARK_UNDER[quantity])
    ends = np.minimum(np.append(at_ms[1:], now_ms), at_ms + LONGEST_GAP // timedelta(milliseconds=1))
    factor = 1.0 if quantity is Quantity.PPFD else lux_per_umol
    found = []
    day = first
    while day <= last:
        begin_ms = to_ms(at_local(day, time(0), zone))
        end_ms = min(to_ms(at_local(day + timedelta(days=1), time(0), zone)), max(now_ms, begin_ms))
        span_ms = np.clip(np.minimum(ends, end_ms) - np.maximum(at_ms, begin_ms), 0, None)
        lit_ms, dark_ms = float(span_ms[lit].sum()), float(span_ms[~lit].sum())
        mol = None if factor is None else float((values / factor * span_ms).sum() / 1e9)
        found.append(
            LightDay(
                day=day,
                lit_h=lit_ms / _HOUR_MS,
                dark_h=dark_ms / _HOUR_MS,
                unknown_h=max((end_ms - begin_ms - lit_ms - dark_ms) / _HOUR_MS, 0.0),
                mol_m2=mol,
            )
        )
        day += timedelta(days=1)
    return tuple(found)


def daily_light_integral(ppfd_umol: float, hours: float) -> float:
    """Return the light integral of an even light. Source: [PURDUE-DLI]. [umol m-2 s-1, h -> mol m-2 d-1]."""
    return ppfd_umol * hours * 3600 / 1e6
