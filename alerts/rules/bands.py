"""Temperature, humidity and light against the band of each batch's phase."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from alerts.findings import Finding, Priority, Tick
from alerts.judge import Outside, judge
from alerts.standing import Stand, standing
from monitor.amounts import say_temp
from monitor.profiles import Band, PhaseKind
from monitor.reach import sensors_for
from monitor.readings import Quantity

_URGENT_HOLD = timedelta(minutes=10)

_NAMES = {
    (Quantity.TEMPERATURE, True): "too cold",
    (Quantity.TEMPERATURE, False): "too hot",
    (Quantity.HUMIDITY, True): "too dry",
    (Quantity.HUMIDITY, False): "too damp",
    (Quantity.LIGHT, True): "too little light",
    (Quantity.LIGHT, False): "light in the dark",
    (Quantity.PPFD, True): "too little light",
    (Quantity.PPFD, False): "too much light",
}
_CONSEQUENCE = {
    "too cold": "Growth stalls; tender crops take harm that shows days later.",
    "too hot": "Seed in the dark cooks and rots; leaves go limp.",
    "too dry": "Edges dry out first, and open gel or young roots with them.",
    "too damp": "Mould weather: it starts where leaves stay wet.",
    "too little light": "Stems stay long and pale.",
    "light in the dark": "Trays green too early and stay short.",
    "too much light": "Leaves bleach and dry out.",
}
_ACTION = {
    "too cold": "See that the heater runs and doors are shut; move the most tender trays to the warmest shelf.",
    "too hot": "Let air through, look whether a heater hangs on, shade or lower the lamps.",
    "too dry": "Look at the trays' edges; a humidifier empty, or a fan straight on them?",
    "too damp": "Get the fan going, space trays apart, water less on the next round.",
    "too little light": "Look at the lamp, its clock, and what stands between it and the trays.",
    "light in the dark": "Close the gap that lets light under the cover.",
    "too much light": "Raise or dim the lamp.",
}


def bands(tick: Tick) -> tuple[Finding, ...]:
    """Return every batch whose phase asks for other air or light than it has."""
    return tuple(finding for stand in standing(tick) for finding in _of_stand(stand, tick))


def _of_stand(stand: Stand, tick: Tick) -> Iterator[Finding]:
    """Yield the findings of trays in one phase at one place."""
    kind = PhaseKind.HARVEST if stand.span.kind is PhaseKind.OVERGROWN else stand.span.kind
    plan = stand.profile.plan(kind)
    if plan is None or stand.spot is None:
        return
    for quantity, listed in plan.bands.items():
        sensors = sensors_for(tick.farm, stand.spot, stand.span, quantity)
        for band in listed:
            for sensor in sensors:
                finding = _judge_band(stand, quantity, band, sensor.id, tick)
                if finding is not None:
                    yield finding


def _lamp_hides(stand: Stand, quantity: Quantity, band: Band, tick: Tick) -> bool:
    """Tell whether a light band cannot be judged now, since the lamp is meant to be dark, or was within the hold."""
    if quantity not in (Quantity.LIGHT, Quantity.PPFD) or band.low is None or stand.spot is None:
        return False
    lamp = tick.farm.places.lamp(stand.spot)
    if lamp is None:
        return True
    zone = tick.farm.zone
    moments = (tick.now, tick.now - timedelta(minutes=band.hold_minutes + 5))
    return not all(lamp.is_on(moment.astimezone(zone).time()) for moment in moments)


def _judge_band(stand: Stand, quantity: Quantity, band: Band, sensor: str, tick: Tick) -> Finding | None:
    """Return the finding of one band by one sensor, urgent where its urgent end is passed, or None."""
    if _lamp_hides(stand, quantity, band, tick):
        return None
    urgent = judge(tick.live, sensor, band.urgent_low, band.urgent_high, _URGENT_HOLD, tick.now)
    if urgent is not None:
        return _finding(stand, quantity, sensor, urgent, Priority.URGENT, tick)
    hold = timedelta(minutes=band.hold_minutes)
    outside = judge(tick.live, sensor, band.low, band.high, hold, tick.now)
    return None if outside is None else _finding(stand, quantity, sensor, outside, Priority.MEDIUM, tick)


def say_value(quantity: Quantity, value: float, tick: Tick) -> str:
    """Return a value as a grower reads it."""
    if quantity is Quantity.TEMPERATURE:
        return say_temp(value, tick.farm.units)
    if quantity is Quantity.HUMIDITY:
        return f"{value:.0f} % humidity"
    return f"{value:.0f} lx" if quantity is Quantity.LIGHT else f"{value:.0f} umol m-2 s-1"


def _finding(
    stand: Stand, quantity: Quantity, sensor: str, outside: Outside, priority: Priority, tick: Tick
) -> Finding:
    """Return a finding in words."""
    name = _NAMES[(quantity, outside.is_low)]
    place = tick.farm.places.name(stand.spot)
    end = "at least" if outside.is_low else "at most"
    return Finding(
        rule=name,
        spot=stand.spot or "",
        batch=stand.batch.id,
        sensor=sensor,
        priority=priority,
        since=outside.since,
        value=outside.value,
        limit=outside.limit,
        cause=(
            f"{say_value(quantity, outside.value, tick)} at {place}; batch {stand.batch.id} "
            f"{stand.profile.name.lower()} ({stand.span.kind.value}) wants "
            f"{end} {say_value(quantity, outside.limit, tick)}."
        ),
        consequence=_CONSEQUENCE[name],
        action=_ACTION[name],
    )
