"""A day of light that is too short, too long, too weak or shifted, over trays that stand in the light."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Finding, Priority, Tick
from alerts.recents import recent_of
from alerts.standing import Stand, standing
from monitor.amounts import say_time
from monitor.clock import at_local, local_day
from monitor.farm import Sensor
from monitor.light import DARK_UNDER, LIT_FROM, LightDay, is_lit, light_days, lux_factor
from monitor.places import LampHours
from monitor.profiles import PhaseKind, PhasePlan
from monitor.reach import sensors_for
from monitor.readings import from_ms, to_ms

SLACK_H = 0.5
"""So much shorter or longer is let pass. Ours. [h]"""
SHIFT_FROM = timedelta(minutes=45)
_ON_TIME = timedelta(minutes=20)
_NIGHT = timedelta(hours=3)
_SURE = timedelta(minutes=20)  # between the last dark and the first lit reading
_WEAK = 0.7
_LEAST_OF_DAY = 0.5
_HOUR = timedelta(hours=1)
_HALF_DAY, _DAY = timedelta(hours=12), timedelta(hours=24)


def light_hours(tick: Tick) -> tuple[Finding, ...]:
    """Return what is wrong with the light of today."""
    found: list[Finding] = []
    for stand in standing(tick):
        plan = stand.profile.plan(PhaseKind.LIGHT)
        if plan is None or stand.span.kind not in (PhaseKind.LIGHT, PhaseKind.HARVEST) or stand.spot is None:
            continue
        lamp = tick.farm.places.lamp(stand.spot)
        for quantity in LIT_FROM:
            for sensor in sensors_for(tick.farm, stand.spot, stand.span, quantity):
                found += _of_sensor(stand, plan, lamp, sensor, tick)
    return tuple(found)


def _of_sensor(stand: Stand, plan: PhasePlan, lamp: LampHours | None, sensor: Sensor, tick: Tick) -> Iterator[Finding]:
    """Yield the findings of trays by one light sensor."""
    shifted = _shifted(sensor, lamp, tick)
    if shifted is not None:
        yield _shift_finding(stand, sensor, *shifted, tick)
    began = stand.span.began_at if stand.span.kind is PhaseKind.LIGHT else None
    if began is not None and local_day(began, tick.farm.zone) == local_day(tick.now, tick.farm.zone):
        return  # it came into the light today: this day is no whole one
    day = _today(sensor, tick)
    if plan.light_hours is not None:
        planned, left = _planned_h(lamp, tick)
        low = plan.light_hours.low if planned is None else min(plan.light_hours.low, planned)
        high = plan.light_hours.high if planned is None else max(plan.light_hours.high, planned)
        if day.lit_h + day.unknown_h + left < low - SLACK_H:
            yield _day_finding(stand, sensor, "too short a day of light", day, low, tick)
        if day.lit_h > high + SLACK_H:
            yield _day_finding(stand, sensor, "too long a day of light", day, high, tick)
    if plan.daily_light_mol_m2 is not None and day.mol_m2 is not None and day.unknown_h < 1:
        planned, left = _planned_h(lamp, tick)
        passed = 0.0 if not planned else (planned - left) / planned
        expected = plan.daily_light_mol_m2.low * passed
        if passed >= _LEAST_OF_DAY and day.mol_m2 < _WEAK * expected:
            yield _weak_finding(stand, sensor, day.mol_m2, expected, tick)


def _today(sensor: Sensor, tick: Tick) -> LightDay:
    """Return today's light by one sensor, worked out once for a moment."""
    key = ("light today", sensor.id)
    if key not in tick.memo:
        recent, today = recent_of(tick, sensor.id), local_day(tick.now, tick.farm.zone)
        (tick.memo[key],) = light_days(
            recent.measured_at_ms,
            recent.value,
            sensor.quantity,
            today,
            today,
            tick.farm.zone,
            now_ms=to_ms(tick.now),
            lux_per_umol=lux_factor(sensor.lux_per_umol, sensor.lamp_kind),
        )
    found: LightDay = tick.memo[key]
    return found


def _planned_h(lamp: LampHours | None, tick: Tick) -> tuple[float | None, float]:
    """Return (the lamp's hours of today by its plan or None, those still to come; without a plan all of the day)."""
    zone, today = tick.farm.zone, local_day(tick.now, tick.farm.zone)
    begin, end = at_local(today, time(0), zone), at_local(today + timedelta(days=1), time(0), zone)
    if lamp is None:
        return None, (end - tick.now) / _HOUR
    on = tick.scales.once(("planned", lamp, today), lambda: _lit_marks(lamp, begin, end, zone))
    return len(on) / 12, (len(on) - bisect_left(on, tick.now)) / 12


def _lit_marks(lamp: LampHours, begin: datetime, end: datetime, zone: ZoneInfo) -> list[datetime]:
    """Return every fifth minute between two instants at which a lamp is meant to be lit."""
    step = timedelta(minutes=5)
    marks = (begin + step * place for place in range(int((end - begin) / step)))
    return [mark for mark in marks if lamp.is_on(mark.astimezone(zone).time())]


def _shifted(sensor: Sensor, lamp: LampHours | None, tick: Tick) -> tuple[datetime, timedelta] | None:
    """Return (when the lamp last came on, by how much later by the clock than the time before), or None."""
    key = ("shifted", sensor.id, lamp)
    if key not in tick.memo:
        tick.memo[key] = _find_shift(sensor, lamp, tick)
    found: tuple[datetime, timedelta] | None = tick.memo[key]
    return found


def _find_shift(sensor: Sensor, lamp: LampHours | None, tick: Tick) -> tuple[datetime, timedelta] | None:
    """Return what _shifted returns, found anew."""
    came_on = _came_on(sensor, lamp, tick)
    if len(came_on) < 2 or tick.now - came_on[-1] > _DAY:
        return None
    before, last = (at.astimezone(tick.farm.zone).replace(tzinfo=None) for at in came_on[-2:])
    if lamp is not None and abs(_clock_gap(last, datetime.combine(last.date(), lamp.on))) <= _ON_TIME:
        return None  # it keeps its plan; the time before did not
    shift = _clock_gap(last, before)
    return (came_on[-1], shift) if abs(shift) >= SHIFT_FROM else None


def _clock_gap(one: datetime, other: datetime) -> timedelta:
    """Return how much later by the clock one wall time is than another, the shorter way round."""
    return (one - other + _HALF_DAY) % _DAY - _HALF_DAY


def _came_on(sensor: Sensor, lamp: LampHours | None, tick: Tick) -> list[datetime]:
    """Return when the lamp came on after a night, as far as that was seen closely; an outage by day is no night."""
    recent, quantity = recent_of(tick, sensor.id), sensor.quantity
    at_ms = recent.measured_at_ms
    if len(at_ms) < 2:
        return []
    lit = is_lit(recent.value, LIT_FROM[quantity], DARK_UNDER[quantity])
    flips = np.flatnonzero(np.diff(lit.astype(int))) + 1
    came_on, dark_since = [], int(at_ms[0])
    for place in flips.tolist():
        if not lit[place]:
            dark_since = int(at_ms[place])
            continue
        fell_dark = (from_ms(dark_since) + _ON_TIME).astimezone(tick.farm.zone)
        by_day = lamp is not None and dark_since > at_ms[0] and lamp.is_on(fell_dark.time())
        seen = at_ms[place] - at_ms[place - 1] <= _SURE / timedelta(milliseconds=1)
        seen = seen and _stays_lit(at_ms, lit, place)
        if seen and not by_day and at_ms[place] - dark_since >= _NIGHT / timedelta(milliseconds=1):
            came_on.append(from_ms(int(at_ms[place])))
    return came_on


def _stays_lit(at_ms: NDArray[np.int64], lit: NDArray[np.bool_], place: int) -> bool:
    """Tell whether it has been lit for a while since a reading: a lamp, not a work light."""
    end = int(np.searchsorted(at_ms, at_ms[place] + SHIFT_FROM / timedelta(milliseconds=1)))
    return end < len(at_ms) and bool(lit[place:end].all())


def _finding(
    rule: str,
    stand: Stand,
    sensor: Sensor,
    since: datetime,
    value: float,
    limit: float,
    *said: str,
    priority: Priority = Priority.MEDIUM,
) -> Finding:
    """Return a finding; ``said``: cause, consequence, action."""
    return Finding(
        rule=rule,
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor.id,
        priority=priority,
        since=since,
        value=value,
        limit=limit,
        wakes=False,
        cause=said[0],
        consequence=said[1],
        action=said[2],
    )


def _shift_finding(stand: Stand, sensor: Sensor, at: datetime, shift: timedelta, tick: Tick) -> Finding:
    """Return the finding of lamps that came on at another time than the day before."""
    place, hours = tick.farm.places.name(stand.spot), abs(shift) / _HOUR
    side = "later" if shift > timedelta(0) else "earlier"
    return _finding(
        "lamps shifted", stand, sensor, at, hours, SHIFT_FROM / _HOUR,
        f"The lamps at {place} came on at {say_time(at, tick.farm.zone)}, {hours:.1f} h {side} than the day before.",
        "A timer that lost its time, after a power cut say, shifts the trays' days and nights.",
        "Set the lamps' timer; if it was meant, write the new hours into farm.toml.",
        priority=Priority.URGENT,
    )  # fmt: skip


def _day_finding(stand: Stand, sensor: Sensor, rule: str, day: LightDay, limit: float, tick: Tick) -> Finding:
    """Return the finding of a day that is too short or too long."""
    short = "short" in rule
    place, crop = tick.farm.places.name(stand.spot), stand.profile.name.lower()
    side = "cannot come to" if short else "is over"
    return _finding(
        rule, stand, sensor, tick.now, day.lit_h, limit,
        f"{place[0].upper()}{place[1:]} was lit for {day.lit_h:.1f} h today and {side} the {limit:.0f} h of batch "
        f"{stand.batch.id} {crop}.",
        "Stems grow long and pale." if short else "Trays get no night, and dry out faster.",
        "Look at the lamp's timer and plug; mains near water is for an electrician.",
    )  # fmt: skip


def _weak_finding(stand: Stand, sensor: Sensor, had: float, expected: float, tick: Tick) -> Finding:
    """Return the finding of a light integral that is short so far."""
    place, crop = tick.farm.places.name(stand.spot), stand.profile.name.lower()
    return _finding(
        "too little light so far", stand, sensor, tick.now, had, expected,
        f"{place[0].upper()}{place[1:]} has had {had:.1f} mol/m2 of light today; batch {stand.batch.id} {crop} wants "
        f"{expected:.1f} by now.",
        "Stems stay long and pale.",
        "Hang the lamp lower, wipe it, or let it burn longer; see what stands between it and the trays.",
    )  # fmt: skip
