"""A lamp that is dark in its hours, or lit outside them, over trays that stand in the light."""

from __future__ import annotations

from datetime import datetime, time, timedelta

from alerts.findings import Finding, Priority, Tick
from alerts.judge import judge
from alerts.standing import Stand, standing
from monitor.clock import at_local, local_day
from monitor.light import LIT_FROM
from monitor.places import LampHours
from monitor.profiles import PhaseKind
from monitor.reach import sensors_for

_HOLD = timedelta(minutes=30)
_IN_LIGHT = (PhaseKind.LIGHT, PhaseKind.HARVEST, PhaseKind.OVERGROWN)


def lamps(tick: Tick) -> tuple[Finding, ...]:
    """Return the lamps that do not keep their hours, once a place and batch."""
    found: list[Finding] = []
    for stand in standing(tick):
        lamp = tick.farm.places.lamp(stand.spot) if stand.spot else None
        if lamp is None or stand.span.kind not in _IN_LIGHT:
            continue
        for quantity, threshold in LIT_FROM.items():
            for sensor in sensors_for(tick.farm, stand.spot, stand.span, quantity):
                finding = _judge_lamp(stand, lamp, sensor.id, threshold, tick)
                if finding is not None:
                    found.append(finding)
    return tuple(found)


def _settled(lamp: LampHours, now: datetime, tick: Tick) -> bool | None:
    """Return whether the lamp should be lit now and has been so for the hold; None where it changed within."""
    moments = [now - _HOLD * share for share in (0, 0.5, 1)]
    states = {lamp.is_on(moment.astimezone(tick.farm.zone).time()) for moment in moments}
    return states.pop() if len(states) == 1 else None


def _turned_at(clock: time, tick: Tick) -> datetime:
    """Return when the lamp was last meant to go on, or off."""
    today = local_day(tick.now, tick.farm.zone)
    moments = (at_local(day, clock, tick.farm.zone) for day in (today, today - timedelta(days=1)))
    return next(at for at in moments if at <= tick.now)


def _judge_lamp(stand: Stand, lamp: LampHours, sensor: str, threshold: float, tick: Tick) -> Finding | None:
    """Return the finding of one light sensor, or None."""
    should = _settled(lamp, tick.now, tick)
    if should is None:
        return None
    low, high = (threshold, None) if should else (None, threshold)
    outside = judge(tick.live, sensor, low, high, _HOLD, tick.now)
    if outside is None:
        return None
    place = tick.farm.places.name(stand.spot)
    hours = f"{lamp.on:%H:%M}-{lamp.off:%H:%M}"
    return Finding(
        rule="lamp is off" if should else "lamp is on at night",
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor,
        priority=Priority.URGENT,
        wakes=False,
        since=max(outside.since, _turned_at(lamp.on if should else lamp.off, tick)),
        value=outside.value,
        limit=threshold,
        cause=f"{place[:1].upper()}{place[1:]} is {'dark' if should else 'lit'}; its lamp's hours are {hours}.",
        consequence="Stems grow long and pale." if should else "Trays get no night, and dry out faster.",
        action="Look at the lamp, its plug and its clock; mains near water is for an electrician.",
    )
