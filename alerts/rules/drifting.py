"""A temperature that will leave its band within the hour at the present rate, and did not do so yesterday."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from statistics import median

import numpy as np

from alerts.findings import Finding, Priority, Tick
from alerts.reachable import judged_band
from alerts.recents import recent_of
from alerts.rules.conditions import asked, say_value, who
from alerts.standing import Stand
from monitor.live import Recent
from monitor.readings import Quantity, to_ms

_AHEAD_H = 1.0
_FIT = timedelta(minutes=90)
_THIRD = _FIT / 3
_LEAST_RATE = 0.6  # degC an hour; slower ones are told once they are outside
_MARGIN_C = 0.3
_LAMP_SETTLES = timedelta(minutes=120)
_DAY = timedelta(hours=24)
_LEAST_READINGS = 3  # in each half hour


def drifting(tick: Tick) -> tuple[Finding, ...]:
    """Return every batch whose temperature leaves its band within the hour at the present rate, or has just left it."""
    found = []
    for stand, quantity, band, sensors in asked(tick, Quantity.TEMPERATURE):
        low, high = judged_band(quantity, band, sensors, tick)
        for sensor in sensors:
            finding = _judge(stand, low, high, sensor, tick)
            if finding is not None:
                found.append(finding)
    return tuple(found)


def _judge(stand: Stand, low: float | None, high: float | None, sensor: str, tick: Tick) -> Finding | None:
    """Return the finding of one band by one sensor, or None."""
    rate = _rate_of(sensor, tick)
    if rate is None or abs(rate) < _LEAST_RATE or _lamp_just_changed(stand, tick):
        return None
    value = float(recent_of(tick, sensor).value[-1])
    limit = low if rate < 0 else high
    if limit is None:
        return None
    if _was_outside(sensor, low, high, tick):
        return None  # it swings so every day
    hours = (limit - value) / rate
    if hours > _AHEAD_H or abs(rate) * (_AHEAD_H - hours) < _MARGIN_C:
        return None
    return _finding(stand, sensor, value, limit, rate, hours, tick)


def _rate_of(sensor: str, tick: Tick) -> float | None:
    """Return how fast a temperature has moved one way for 90 minutes, beyond what it did yesterday. [degC/h]."""
    key = ("rate", sensor)
    if key not in tick.memo:
        recent, now_ms = recent_of(tick, sensor), to_ms(tick.now)
        present = _thirds(recent, now_ms)
        before = _thirds(recent, now_ms - _DAY / timedelta(milliseconds=1))
        tick.memo[key] = None if present is None or before is None else _steady(present, before)
    found: float | None = tick.memo[key]
    return found


def _steady(present: tuple[float, float], before: tuple[float, float]) -> float | None:
    """Return a rate that goes one way and did not so yesterday; None where it does not. [degC/h]."""
    first, second = present
    rate, usual = (first + second) / 2, (before[0] + before[1]) / 2
    if first * second <= 0 or abs(second) < 0.5 * abs(first):
        return None
    return rate if rate * usual <= 0 or abs(rate) > 1.5 * abs(usual) + 0.3 else None


def _thirds(recent: Recent, end_ms: float) -> tuple[float, float] | None:
    """Return the rates between the medians of three half hours, which a door held open does not move. [degC/h]."""
    marks = [end_ms - third * _THIRD / timedelta(milliseconds=1) for third in (3, 2, 1, 0)]
    places = np.searchsorted(recent.measured_at_ms, marks, side="right").tolist()
    if min(last - first for first, last in pairwise(places)) < _LEAST_READINGS:
        return None
    first, second, third = (median(recent.value[begin:end].tolist()) for begin, end in pairwise(places))
    per_hour = timedelta(hours=1) / _THIRD
    return (second - first) * per_hour, (third - second) * per_hour


def _was_outside(sensor: str, low: float | None, high: float | None, tick: Tick) -> bool:
    """Tell whether a temperature was outside its band in the time before the present drift, as far as that is held."""
    recent = recent_of(tick, sensor)
    before = recent.value[: int(np.searchsorted(recent.measured_at_ms, to_ms(tick.now - 2 * _FIT)))]
    return bool(len(before)) and (
        (low is not None and float(before.min()) < low) or (high is not None and float(before.max()) > high)
    )


def _lamp_just_changed(stand: Stand, tick: Tick) -> bool:
    """Tell whether the lamp went on or off lately by its plan: the room follows it, and then the heater does."""
    lamp = tick.farm.places.lamp(stand.spot) if stand.spot else None
    if lamp is None:
        return False
    moments = [tick.now - _LAMP_SETTLES * share for share in (0, 0.25, 0.5, 0.75, 1)]
    return len({lamp.is_on(moment.astimezone(tick.farm.zone).time()) for moment in moments}) > 1


def _finding(stand: Stand, sensor: str, value: float, limit: float, rate: float, hours: float, tick: Tick) -> Finding:
    """Return a finding in words."""
    place = tick.farm.places.name(stand.spot)
    moves = "falls" if rate < 0 else "rises"
    minutes = max(round(hours * 60 / 5) * 5, 5)
    end = "at least" if rate < 0 else "at most"
    return Finding(
        rule="drifting out",
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor,
        priority=Priority.URGENT,
        since=tick.now - _FIT,
        value=value,
        limit=limit,
        wakes=False,
        is_passing=True,
        cause=(
            f"{say_value(Quantity.TEMPERATURE, value, tick)} at {place} and it {moves} by "
            f"{_rate_words(abs(rate), tick)} an hour; {who(stand)} wants {end} "
            f"{say_value(Quantity.TEMPERATURE, limit, tick)}."
        ),
        consequence=f"It will be outside in about {minutes} minutes." if hours > 0 else "It is outside already.",
        action="Look at heater, cooler and door now, while nothing is lost.",
    )


def _rate_words(rate: float, tick: Tick) -> str:
    """Return a rate of temperature in the farm's unit."""
    return f"{rate * 1.8:.1f} °F" if tick.farm.units == "US" else f"{rate:.1f} °C"
