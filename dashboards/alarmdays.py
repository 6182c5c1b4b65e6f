"""The last days of what an alarm is about, as one picture, as values: a batch's own, or what is measured at a place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TypeVar

from alerts.findings import Finding, Tick
from dashboards.batchdays import days_of
from dashboards.daypicture import DayPicture, Panel, Shade, Silence, Trace, Wanted
from dashboards.waterdays import Read, usable
from monitor.amounts import say_list, say_time
from monitor.farm import Farm, Sensor
from monitor.readings import Quantity, to_ms

SHOWN = timedelta(days=2)
"""So much before an alarm is shown: the same hour of the day before, and how it came to be. Ours."""

_MOST_TRACES = 3

_Span = TypeVar("_Span", Wanted, Silence)

_PANELS: dict[Quantity, tuple[str, str, int]] = {
    Quantity.TEMPERATURE: ("temperature", "°C", 1),
    Quantity.HUMIDITY: ("humidity", "%", 0),
    Quantity.LIGHT: ("light", "lx", 0),
    Quantity.PPFD: ("photon flux", "µmol/m²s", 0),
    Quantity.WEIGHT: ("weight", "g", 0),
}
"""Name, unit and digits of what is shown of a place, from the top."""


def alarm_days(finding: Finding, tick: Tick, read: Read) -> DayPicture | None:
    """Return the last two days of what a finding is about; None: nothing that is measured bears on it.

    Args:
        finding: What is wrong. One of a batch gives the days of that batch, on the trays that stand at its spot; any
            other the sensors at its spot, the one that shows it first.
        tick: The moment; its farm, profiles, batches, entries and instant are used.
        read: Where readings come from.
    """
    batch = tick.batches.get(finding.batch or "")
    profile = tick.profiles.get(batch.crop) if batch else None
    if batch is None or profile is None:
        return _place_days(finding, tick, read)
    part = next((each for each in batch.standing if each.spot == finding.spot), None)
    whole = days_of(batch, profile, tick, read, part=part)
    shown = cut_to(whole, tick.now - SHOWN)
    return shown if any(panel.traces for panel in shown.panels) else None


def picture_words(picture: DayPicture) -> str:
    """Return the line that says what an enclosed picture shows."""
    begin, end = (say_time(at, picture.zone) for at in (picture.begins_at, picture.ends_at))
    names = [panel.name for panel in picture.panels if panel.traces]
    return f"The picture: {picture.title}, {begin} to {end}: {say_list(names)}."


def cut_to(picture: DayPicture, begins_at: datetime) -> DayPicture:
    """Return a picture from an instant on; one that begins later stays as it is."""
    if picture.begins_at >= begins_at or begins_at >= picture.ends_at:
        return picture
    return replace(
        picture,
        begins_at=begins_at,
        phases=tuple(_shades(picture.phases, begins_at)),
        panels=tuple(_panel_from(panel, begins_at) for panel in picture.panels),
        marks=tuple(mark for mark in picture.marks if mark.at >= begins_at),
        lit=tuple((max(on, begins_at), off) for on, off in picture.lit if off > begins_at),
    )


def _shades(phases: Sequence[Shade], begins_at: datetime) -> Iterator[Shade]:
    """Yield the phases that reach beyond an instant, from it on."""
    for each in phases:
        if each.ends_at > begins_at:
            yield replace(each, begins_at=max(each.begins_at, begins_at))


def _panel_from(panel: Panel, begins_at: datetime) -> Panel:
    """Return a panel from an instant on; a series of which nothing is left is left out."""
    traces = [_trace_from(trace, begins_at) for trace in panel.traces]
    return replace(
        panel,
        traces=tuple(trace for trace in traces if len(trace.value)),
        wanted=tuple(_from(each, begins_at) for each in panel.wanted if each.ends_at > begins_at),
        silences=tuple(_from(each, begins_at) for each in panel.silences if each.ends_at > begins_at),
    )


def _trace_from(trace: Trace, begins_at: datetime) -> Trace:
    """Return a series from an instant on."""
    shown = trace.at_ms >= to_ms(begins_at)
    return replace(trace, at_ms=trace.at_ms[shown], value=trace.value[shown])


def _from(span: _Span, begins_at: datetime) -> _Span:
    """Return a stretch from an instant on."""
    return replace(span, begins_at=max(span.begins_at, begins_at))


def _place_days(finding: Finding, tick: Tick, read: Read) -> DayPicture | None:
    """Return what the sensors at a finding's place said; None: there are none, or nothing was heard of them."""
    if not finding.spot:
        return None
    begins_at = tick.now - SHOWN
    found = (_panel_of(quantity, finding, tick, read) for quantity in _PANELS)
    panels = tuple(panel for panel in found if panel is not None)
    if not panels:
        return None
    name = tick.farm.places.name(finding.spot)
    return DayPicture(
        title=name[:1].upper() + name[1:],
        zone=tick.farm.zone,
        sown_at=None,
        begins_at=begins_at,
        ends_at=tick.now,
        phases=(),
        panels=panels,
    )


def _panel_of(quantity: Quantity, finding: Finding, tick: Tick, read: Read) -> Panel | None:
    """Return one quantity at a finding's place; None: nothing was heard of it."""
    farm = tick.farm
    factor, offset = _shown_as(quantity, farm)
    traces = []
    for sensor in _sensors(quantity, finding, farm):
        at_ms, value = usable(read([sensor.id], tick.now - SHOWN, tick.now))
        if len(value):
            traces.append(Trace(name=sensor.id, at_ms=at_ms, value=value * factor + offset))
    if not traces:
        return None
    name, unit, digits = _PANELS[quantity]
    if quantity is Quantity.TEMPERATURE and farm.units == "US":
        unit = "°F"
    wanted = tuple(_limits(quantity, finding, tick))
    return Panel(name=name, unit=unit, traces=tuple(traces), wanted=wanted, digits=digits)


def _shown_as(quantity: Quantity, farm: Farm) -> tuple[float, float]:
    """Return (factor, offset) from stored values to the farm's units."""
    return (1.8, 32.0) if quantity is Quantity.TEMPERATURE and farm.units == "US" else (1.0, 0.0)


def _sensors(quantity: Quantity, finding: Finding, farm: Farm) -> list[Sensor]:
    """Return the sensors of a quantity that stand at a place or on it, the one that shows the finding first."""
    at = finding.spot
    here = [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity is quantity
        and (sensor.id == finding.sensor or sensor.spot == at or (sensor.spot or "").startswith(f"{at}/"))
    ]
    return sorted(here, key=lambda sensor: (sensor.id != finding.sensor, sensor.spot != at))[:_MOST_TRACES]


def _limits(quantity: Quantity, finding: Finding, tick: Tick) -> Iterator[Wanted]:
    """Yield the limits that the place itself carries."""
    places = tick.farm.places
    limits = places[finding.spot].limits.get(quantity) if finding.spot in places else None
    if limits is not None:
        factor, offset = _shown_as(quantity, tick.farm)
        low, high = (None if end is None else end * factor + offset for end in (limits.low, limits.high))
        yield Wanted(begins_at=tick.now - SHOWN, ends_at=tick.now, low=low, high=high)
