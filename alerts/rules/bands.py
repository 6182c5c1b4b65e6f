"""Temperature and humidity against the band of each batch's phase, by how far and how long."""

from __future__ import annotations

from datetime import timedelta

from alerts.excursion import DEADBAND, Excursion, excursion, kpa_per_point
from alerts.findings import Finding, Priority, Tick
from alerts.judge import judge
from alerts.reachable import judged_band
from alerts.recents import milder_of_two, recent_of
from alerts.rules.conditions import ACTION, CONSEQUENCE, NAMES, asked, say_value, who
from alerts.standing import Stand, sensors_of
from monitor.profiles import Band, Harm
from monitor.readings import Quantity

TELL_FROM, URGENT_FROM = 0.33, 0.7
"""Shares of the dose that does harm from which it is told, and told at once. Ours: a sensor may read half a degree off,
and what is told is to be told before the harm is done."""
_URGENT_HOLD = timedelta(minutes=10)


def bands(tick: Tick) -> tuple[Finding, ...]:
    """Return every batch whose phase asks for other air than it has had for long enough to matter."""
    found = []
    for stand, quantity, band, sensors in asked(tick, Quantity.TEMPERATURE, Quantity.HUMIDITY):
        for sensor in sensors:
            finding = _judge(stand, quantity, band, sensor, judged_band(quantity, band, sensors, tick), tick)
            if finding is not None:
                found.append(finding)
    return tuple(found)


def harm_from(harm: Harm, quantity: Quantity, *, is_low: bool) -> float:
    """Return the dose beyond a band from which a crop takes harm. [degC h; kPa h]."""
    if quantity is Quantity.TEMPERATURE:
        return (harm.cold if is_low else harm.heat).value
    return (harm.dry if is_low else harm.damp).value


def _judge(
    stand: Stand,
    quantity: Quantity,
    band: Band,
    sensor: str,
    ends: tuple[float | None, float | None],
    tick: Tick,
) -> Finding | None:
    """Return the finding of one band by one sensor, or None."""
    run = outside_now(stand, quantity, sensor, ends, tick)
    if run is None:
        return None
    urgent = band.urgent_low, band.urgent_high
    held = judge(tick.live, sensor, *urgent, _URGENT_HOLD, tick.now, instead=milder_of_two(tick, sensor, *urgent))
    if held is None and run.longest < timedelta(minutes=band.hold_minutes):
        return None
    share = run.dose / harm_from(stand.profile.harm, quantity, is_low=run.is_low)
    if held is None and share < TELL_FROM:
        return None
    at_once = held is not None or share >= URGENT_FROM
    return _finding(stand, quantity, sensor, run, share, Priority.URGENT if at_once else Priority.MEDIUM, tick)


def outside_now(
    stand: Stand, quantity: Quantity, sensor: str, ends: tuple[float | None, float | None], tick: Tick
) -> Excursion | None:
    """Return the run outside a span by one sensor that is not over, or None; found once for all batches that ask."""
    key = ("outside", sensor, ends)
    if key not in tick.memo:
        recent = milder_of_two(tick, sensor, *ends) or recent_of(tick, sensor)
        weight = None
        if quantity is Quantity.HUMIDITY and len(recent.value):
            names = sensors_of(stand, Quantity.TEMPERATURE, tick)
            weight = kpa_per_point(recent, recent_of(tick, names[0]) if names else None)
        tick.memo[key] = excursion(recent, *ends, tick.now, deadband=DEADBAND[quantity], weight=weight)
    found: Excursion | None = tick.memo[key]
    return found


def _finding(
    stand: Stand, quantity: Quantity, sensor: str, run: Excursion, share: float, priority: Priority, tick: Tick
) -> Finding:
    """Return a finding in words."""
    name = NAMES[(quantity, run.is_low)]
    place = tick.farm.places.name(stand.spot)
    end = "at least" if run.is_low else "at most"
    return Finding(
        rule=name,
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor,
        priority=priority,
        since=max(run.since, stand.batch.sown_at or run.since),
        value=run.value,
        limit=run.limit,
        harm=share,
        wakes=quantity is Quantity.TEMPERATURE,
        cause=(
            f"{say_value(quantity, run.value, tick)} at {place}; {who(stand)} wants "
            f"{end} {say_value(quantity, run.limit, tick)}."
        ),
        consequence=CONSEQUENCE[name],
        action=ACTION[name],
    )
