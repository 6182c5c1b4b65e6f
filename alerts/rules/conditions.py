"""What wrong conditions are called, what they do, and what to do about them: words shared by several rules; pure."""

from __future__ import annotations

from collections.abc import Iterator

from alerts.findings import Tick
from alerts.standing import Stand, sensors_of, standing
from monitor.amounts import say_temp
from monitor.profiles import Band, PhaseKind, Where
from monitor.reach import is_covered
from monitor.readings import Quantity

NAMES = {
    (Quantity.TEMPERATURE, True): "too cold",
    (Quantity.TEMPERATURE, False): "too hot",
    (Quantity.HUMIDITY, True): "too dry",
    (Quantity.HUMIDITY, False): "too damp",
    (Quantity.LIGHT, True): "too little light",
    (Quantity.LIGHT, False): "light in the dark",
    (Quantity.PPFD, True): "too little light",
    (Quantity.PPFD, False): "too much light",
}
"""By quantity, and whether it is under its band."""
STAYS = "room stays"
"""What the names of findings begin with of which a room is taken as it is."""
CONSEQUENCE = {
    "too cold": "Growth stalls; tender crops take harm that shows days later.",
    "too hot": "Seed in the dark cooks and rots; leaves go limp.",
    "too dry": "Edges dry out first, and open gel or young roots with them.",
    "too damp": "Mould weather: it starts where leaves stay wet.",
    "too little light": "Stems stay long and pale.",
    "light in the dark": "Trays green too early and stay short.",
    "too much light": "Leaves bleach and dry out.",
}
ACTION = {
    "too cold": "See that the heater runs and doors are shut; move the most tender trays to the warmest shelf.",
    "too hot": "Let air through, look whether a heater hangs on, shade or lower the lamps.",
    "too dry": "Look at the trays' edges; a humidifier empty, or a fan straight on them?",
    "too damp": "Get the fan going, space trays apart, water less on the next round.",
    "too little light": "Look at the lamp, its clock, and what stands between it and the trays.",
    "light in the dark": "Close the gap that lets light under the cover.",
    "too much light": "Raise or dim the lamp.",
}


Asked = tuple[Stand, Quantity, Band, tuple[str, ...]]
"""(trays, quantity, what their phase asks of it, the sensors that can tell)."""


def asked(tick: Tick, *quantities: Quantity) -> tuple[Asked, ...]:
    """Return every band that the phase of standing trays asks of some quantities; found once for a moment."""
    key = ("asked", quantities)
    if key not in tick.memo:
        tick.memo[key] = tuple(_asked(tick, quantities))
    found: tuple[Asked, ...] = tick.memo[key]
    return found


def _asked(tick: Tick, quantities: tuple[Quantity, ...]) -> Iterator[Asked]:
    """Yield every band that the phase of standing trays asks of some quantities, with the sensors that can tell.

    Trays past their window are judged as in it. What no sensor can tell is left out.
    """
    for stand in standing(tick):
        kind = PhaseKind.HARVEST if stand.span.kind is PhaseKind.OVERGROWN else stand.span.kind
        plan = stand.profile.plan(kind)
        if plan is None or stand.spot is None:
            continue
        for quantity in quantities:
            listed = plan.bands.get(quantity, ())
            names = sensors_of(stand, quantity, tick) if listed else ()
            for band in listed if names else ():
                if band.where is not Where.ROOM_AIR or quantity is not Quantity.HUMIDITY or not is_covered(stand.span):
                    yield stand, quantity, band, names  # under a cover it is damper than the room's band by design


def say_value(quantity: Quantity, value: float, tick: Tick) -> str:
    """Return a value as a grower reads it."""
    if quantity is Quantity.TEMPERATURE:
        return say_temp(value, tick.farm.units)
    if quantity is Quantity.HUMIDITY:
        return f"{value:.0f} % humidity"
    if quantity is Quantity.BATTERY:
        return f"{value:.0f} %"
    return f"{value:.0f} lx" if quantity is Quantity.LIGHT else f"{value:.0f} umol m-2 s-1"


def who(stand: Stand) -> str:
    """Return which trays, in words."""
    return f"batch {stand.batch.id} {stand.profile.name.lower()} ({stand.span.kind.value})"
