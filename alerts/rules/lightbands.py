"""Light against the band of each batch's phase: a leak into the dark, or too little of it in the lamp's hours."""

from __future__ import annotations

from datetime import timedelta

from alerts.findings import Finding, Priority, Tick
from alerts.judge import judge
from alerts.rules.conditions import ACTION, CONSEQUENCE, NAMES, asked, say_value, who
from alerts.standing import Stand
from monitor.profiles import Band
from monitor.readings import Quantity

_STRONG, _SOONER = 20, 2 / 3
"""So many times the light that a phase bears is told after a share of the time. Ours."""


def light_bands(tick: Tick) -> tuple[Finding, ...]:
    """Return every batch whose phase asks for other light than it has had for the band's time."""
    found = []
    for stand, quantity, band, sensors in asked(tick, Quantity.LIGHT, Quantity.PPFD):
        if _lamp_hides(stand, band, tick):
            continue
        for sensor in sensors:
            finding = _judge(stand, quantity, band, sensor, tick)
            if finding is not None:
                found.append(finding)
    return tuple(found)


def _lamp_hides(stand: Stand, band: Band, tick: Tick) -> bool:
    """Tell whether a light band cannot be judged now, since the lamp is meant to be dark, or was within the hold."""
    if band.low is None or stand.spot is None:
        return False
    lamp = tick.farm.places.lamp(stand.spot)
    if lamp is None:
        return True
    moments = (tick.now, tick.now - timedelta(minutes=band.hold_minutes + 5))
    return not all(lamp.is_on(moment.astimezone(tick.farm.zone).time()) for moment in moments)


def _judge(stand: Stand, quantity: Quantity, band: Band, sensor: str, tick: Tick) -> Finding | None:
    """Return the finding of one band by one sensor, or None."""
    hold = timedelta(minutes=band.hold_minutes)
    outside = judge(tick.live, sensor, band.low, band.high, hold, tick.now)
    if outside is None and band.high is not None:
        outside = judge(tick.live, sensor, None, band.high * _STRONG, hold * _SOONER, tick.now)
    if outside is None:
        return None
    name = NAMES[(quantity, outside.is_low)]
    end = "at least" if outside.is_low else "at most"
    return Finding(
        rule=name,
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor,
        priority=Priority.MEDIUM if outside.is_low else Priority.URGENT,
        wakes=False,
        since=outside.since,
        value=outside.value,
        limit=outside.limit,
        cause=(
            f"{say_value(quantity, outside.value, tick)} at {tick.farm.places.name(stand.spot)}; {who(stand)} wants "
            f"{end} {say_value(quantity, outside.limit, tick)}."
        ),
        consequence=CONSEQUENCE[name],
        action=ACTION[name],
    )
