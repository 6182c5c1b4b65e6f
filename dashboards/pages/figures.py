"""One sensor as pages show it: value, age, what is wrong with it, its last day as a small line; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.findings import Tick
from alerts.rules.conditions import say_value
from dashboards.pages.ages import is_old, say_age
from dashboards.smallline import SmallLine, small_line
from monitor.amounts import say_g
from monitor.farm import Sensor
from monitor.live import LiveState
from monitor.readings import Quantity, Reading

DAY = timedelta(hours=24)
SHORT = {
    Quantity.TEMPERATURE: "air",
    Quantity.HUMIDITY: "damp",
    Quantity.LIGHT: "light",
    Quantity.PPFD: "light",
    Quantity.WEIGHT: "weight",
    Quantity.BATTERY: "battery",
}
"""What a grower calls what is measured."""
_NOISE = {
    Quantity.TEMPERATURE: 3.0,
    Quantity.HUMIDITY: 10.0,
    Quantity.LIGHT: 500.0,
    Quantity.PPFD: 10.0,
    Quantity.WEIGHT: 50.0,
    Quantity.BATTERY: 20.0,
}
"""A small line of less spread than this stays nearly flat. Ours. [stored unit]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownFigure:
    """One measured figure of a place.

    Attributes:
        name: What it is, e.g. ``air``.
        says: The value in words; ``not heard`` where there is none.
        age: How old it is; empty: nothing was ever heard.
        is_old: Too old to go by.
        sensor: Who measured it.
        note: What is wrong with it, or where it holds; empty: nothing.
        line: Its last day as a small line; None: nothing heard.
    """

    name: str
    says: str
    age: str
    is_old: bool
    sensor: str
    note: str
    line: SmallLine | None


def say(quantity: Quantity, value: float, tick: Tick) -> str:
    """Return a value in words, short."""
    if quantity is Quantity.WEIGHT:
        return say_g(value, tick.farm.units)
    return say_value(quantity, value, tick).removesuffix(" humidity").replace("umol m-2 s-1", "µmol/m²s")


def figure_of(sensor: Sensor, newest: Reading | None, live: LiveState, tick: Tick, now: datetime) -> ShownFigure:
    """Return one sensor's figure.

    Args:
        sensor: The sensor.
        newest: Its newest reading, whatever its flag; None: never heard.
        live: The last hours of each sensor.
        tick: The moment, for the farm's places and units.
        now: The instant by which ages are reckoned.
    """
    reading = live.latest(sensor.id)
    name = f"{SHORT[sensor.quantity]} under the cover" if sensor.under_cover else SHORT[sensor.quantity]
    note = ""
    if newest is not None and (reading is None or newest.measured_at > reading.measured_at):
        note = "doubtful since"
    limits = tick.farm.places[sensor.spot].limits.get(sensor.quantity) if sensor.spot in tick.farm.places else None
    if reading is not None and limits is not None and not limits.holds(reading.value):
        note = "outside the limits of this place"
    if reading is None:
        return ShownFigure(name=name, says="not heard", age="", is_old=True, sensor=sensor.id, note=note, line=None)
    return ShownFigure(
        name=name,
        says=say(sensor.quantity, reading.value, tick),
        age=say_age(now - reading.measured_at),
        is_old=is_old(reading.measured_at, now, live.usual_interval(sensor.id)),
        sensor=sensor.id,
        note=note,
        line=small_line(
            live.recent(sensor.id, now - DAY),
            now - DAY,
            now,
            lambda value: say(sensor.quantity, value, tick),
            sensor.quantity.value,
            least=_NOISE[sensor.quantity],
        ),
    )
