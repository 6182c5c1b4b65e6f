"""Weather of diseases by published thresholds: grey mould, and the downy mildew of basil; steps above mould weather."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Finding, Priority, Tick
from alerts.recents import half_hours, middles_ms
from alerts.standing import Stand, open_stands, sensors_of
from monitor.readings import Quantity, from_ms

GREY_MOULD_PCT, GREY_MOULD_C, GREY_MOULD_H = 93.0, (13.0, 18.0), 8.0
"""Source: [UMASS-BOTRYTIS], wet for 8 to 12 h, over 93 %, 55 to 65 degF."""
MILDEW_PCT, MILDEW_H, MILDEW_DARK_H = 95.0, 4.0, 7.5
"""Source: [BASIL-MILDEW], 4 h of free leaf moisture to infect, 7.5 h at 95 % by night to sporulate; that the air's 95 %
stands for a wet leaf is ours. [%RH; h]"""
_BACK = timedelta(hours=24)
_HALF_HOUR_H = 0.5


def disease(tick: Tick) -> tuple[Finding, ...]:
    """Return the open trays over which the air has been that of a disease."""
    found: list[Finding] = []
    for stand, _ in open_stands(tick):
        warm = sensors_of(stand, Quantity.TEMPERATURE, tick)
        damp = sensors_of(stand, Quantity.HUMIDITY, tick)
        if warm and damp:
            found += _of_stand(stand, half_hours(tick, warm, _BACK), half_hours(tick, damp, _BACK), tick)
    return tuple(found)


def run_h(holds: NDArray[np.bool_]) -> float:
    """Return for how many hours on end something has held until now, newest half hour first. [h]."""
    ended = np.flatnonzero(~holds)
    return (int(ended[0]) if len(ended) else len(holds)) * _HALF_HOUR_H


def _of_stand(
    stand: Stand, temp_c: NDArray[np.float64], humidity: NDArray[np.float64], tick: Tick
) -> Iterator[Finding]:
    """Yield the findings over trays at one place."""
    low, high = GREY_MOULD_C
    hours = run_h((humidity >= GREY_MOULD_PCT) & (temp_c >= low) & (temp_c <= high))
    if hours >= GREY_MOULD_H:
        yield _finding("grey mould weather", stand, hours, GREY_MOULD_H, "grey mould (Botrytis)", tick)
    if stand.profile.species != "Ocimum basilicum":
        return
    wet = humidity >= MILDEW_PCT
    hours, night_h = run_h(wet), run_h(wet & _dark(stand, len(wet), tick))
    if hours >= MILDEW_H:
        spreads = night_h >= MILDEW_DARK_H
        what = "basil's downy mildew to spread" if spreads else "basil's downy mildew to take hold"
        yield _finding("mildew weather", stand, hours, MILDEW_DARK_H if spreads else MILDEW_H, what, tick)


def _dark(stand: Stand, count: int, tick: Tick) -> NDArray[np.bool_]:
    """Return which of the last half hours were dark by the lamp's plan, newest first; no plan: all of them."""
    lamp = tick.farm.places.lamp(stand.spot) if stand.spot else None
    if lamp is None:
        return np.ones(count, dtype=bool)
    middles = (from_ms(int(at)).astimezone(tick.farm.zone) for at in middles_ms(tick, count))
    return np.array([not lamp.is_on(middle.time()) for middle in middles])


def _finding(rule: str, stand: Stand, hours: float, limit: float, what: str, tick: Tick) -> Finding:
    """Return a finding in words."""
    place = tick.farm.places.name(stand.spot)
    return Finding(
        rule=rule,
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=None,
        priority=Priority.MEDIUM,
        since=tick.now - timedelta(hours=hours),
        value=hours,
        limit=limit,
        cause=f"For {hours:.0f} hours the air at {place} has been damp enough for {what}; batch {stand.batch.id} "
        f"{stand.profile.name.lower()} stands in it.",
        consequence="It shows days later, and spreads to its neighbours.",
        action="Get air moving over the trays now, by night too; look at the undersides of leaves in the coming days.",
    )
