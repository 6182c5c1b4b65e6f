"""What a batch's days were, gathered from ledger, profile and store into one picture; pure but for the store's reading.

Which sensor speaks changes with the phase and the place: a tray under its cover is spoken for only from under it, and
one that was moved by the sensors of the shelf on which it stood then. Doubtful readings are not drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from dashboards.daypicture import GAP, DayPicture, Mark, Panel, Shade, Silence, Trace, Wanted
from dashboards.stretches import Stretch, bands_of, begun, stretches_of
from dashboards.waterdays import Array, Read, Times, usable, water_panels
from monitor.air import vapour_pressure_deficit
from monitor.batches import Batch, Part
from monitor.clock import at_local, local_day
from monitor.farm import Farm
from monitor.ledger import EntryKind
from monitor.phases import Standing
from monitor.places import LampHours
from monitor.profiles import PhaseKind, Profile
from monitor.reach import NOT_MEASURED, is_covered, sensors_for
from monitor.readings import Quantity, from_ms, to_ms

LEAD = timedelta(hours=2)
"""So much of the room before sowing is shown too."""

_NOBODY = "nobody said where it stands"

_AFTER = timedelta(hours=6)

_ROW = {
    EntryKind.SOAKED: "moved on",
    EntryKind.DRAINED: "moved on",
    EntryKind.SOWN: "moved on",
    EntryKind.STACKED: "moved on",
    EntryKind.UNCOVERED: "moved on",
    EntryKind.LIGHTS_ON: "moved on",
    EntryKind.MOVED: "moved on",
    EntryKind.WATERED: "watered",
    EntryKind.HARVESTED: "taken out",
    EntryKind.DELIVERED: "taken out",
    EntryKind.DISCARDED: "taken out",
}


def days_of(
    batch: Batch,
    profile: Profile,
    tick: Tick,
    read: Read,
    *,
    sent: Sequence[OutboxRow] = (),
    part: Part | None = None,
) -> DayPicture:
    """Return the days of a batch until now, or until the last of its trays left.

    Args:
        batch: The batch.
        profile: Its crop's profile.
        tick: The moment; its farm, batches, entries and instant are used.
        read: Where readings come from.
        sent: Messages that were sent; those that ask for something of this batch become marks.
        part: Which of its parts the picture follows; None: the first that stands, or the first.
    """
    farm = tick.farm
    part = part or (batch.standing or batch.parts or (None,))[0]
    until = _until(batch, tick.now)
    phases = tuple(_shades(batch, part, profile, until, farm))
    begins_at = (phases[0].begins_at if phases else batch.sown_at or until) - LEAD
    ends_at = max(until, begins_at + LEAD + _AFTER)
    stretches = tuple(stretches_of(batch, part, profile, until, farm))
    marks = [
        Mark(what=entry.kind.value, at=entry.at, row=_ROW.get(entry.kind, "noted"))
        for entry in batch.entries
        if begins_at <= entry.at <= ends_at
    ]
    asked = {(row.made_at, what) for row in sent for what in _asked(row, batch)}
    marks += [Mark(what=what, at=at, row="asked for") for at, what in sorted(asked) if begins_at <= at <= ends_at]
    return DayPicture(
        title=f"Batch {batch.id} {profile.name.lower()}",
        zone=farm.zone,
        sown_at=batch.sown_at,
        begins_at=begins_at,
        ends_at=ends_at,
        phases=phases,
        panels=tuple(_panels(batch, profile, tick, stretches, read)),
        marks=tuple(sorted(marks, key=lambda mark: mark.at)),
        lit=tuple(_lit(farm, stretches, begins_at, ends_at)),
    )


def _until(batch: Batch, now: datetime) -> datetime:
    """Return until when there is something to show: now, or when the last of the trays left."""
    ended = [each.ended_at for each in batch.parts if each.ended_at is not None]
    return min(max(ended), now) if batch.is_over and ended else now


def _asked(row: OutboxRow, batch: Batch) -> tuple[str, ...]:
    """Return what a message asked for of a batch."""
    parts = [key.split("|") for key in row.tasks]
    return tuple(dict.fromkeys(each[1] for each in parts if each[0] == batch.id and len(each) > 1))


def _shades(batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm) -> Iterator[Shade]:
    """Yield the phases on the time axis."""
    for span, begin, end in begun(batch, part, profile, until, farm):
        guess = span.standing is Standing.PRESUMED
        yield Shade(name=span.kind.value, begins_at=begin, ends_at=end, is_guess=guess)


def _lit(
    farm: Farm, stretches: Sequence[Stretch], begins_at: datetime, ends_at: datetime
) -> Iterator[tuple[datetime, datetime]]:
    """Yield when the lamp of the place was meant to be on, day by day."""
    hours = next(
        (lamp for each in reversed(stretches) if each.spot and (lamp := farm.places.lamp(each.spot)) is not None), None
    )
    if hours is None:
        return
    day = local_day(begins_at, farm.zone) - timedelta(days=1)
    while at_local(day, time(0), farm.zone) <= ends_at:
        on, off = _of_day(hours, day, farm)
        if off > begins_at and on < ends_at:
            yield max(on, begins_at), min(off, ends_at)
        day += timedelta(days=1)


def _of_day(hours: LampHours, day: date, farm: Farm) -> tuple[datetime, datetime]:
    """Return when a lamp that comes on on a local day goes on and off."""
    ends_on = day if hours.on < hours.off else day + timedelta(days=1)
    return at_local(day, hours.on, farm.zone), at_local(ends_on, hours.off, farm.zone)


def _panels(batch: Batch, profile: Profile, tick: Tick, stretches: Sequence[Stretch], read: Read) -> Iterator[Panel]:
    """Yield the panels from the top; quantities that the farm does not measure at all are left out."""
    farm = tick.farm
    temperature = _measured(Quantity.TEMPERATURE, farm, stretches, read)
    humidity = _measured(Quantity.HUMIDITY, farm, stretches, read)
    us = farm.units == "US"
    if temperature is not None:
        warm = (lambda value: value * 1.8 + 32) if us else (lambda value: value)
        yield _panel("temperature", "°F" if us else "°C", temperature, stretches, profile, Quantity.TEMPERATURE, warm)
    if humidity is not None:
        panel = _panel("humidity", "%", humidity, stretches, profile, Quantity.HUMIDITY, lambda value: value)
        yield replace(panel, digits=0, ceiling=None)
    if temperature is not None and humidity is not None:
        yield _deficit(temperature, humidity)
    for quantity, name, unit in ((Quantity.LIGHT, "light", "lx"), (Quantity.PPFD, "photon flux", "µmol/m²s")):
        light = _measured(quantity, farm, stretches, read)
        if light is not None:
            panel = _panel(name, unit, light, stretches, profile, quantity, lambda value: value)
            yield replace(panel, digits=0, floor=0.0)
    yield from water_panels(batch, profile, tick, stretches, read)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """What the sensors said of one quantity over all stretches, and where none could."""

    names: tuple[str, ...]
    at_ms: Times
    value: Array
    silences: tuple[Silence, ...]


def _measured(quantity: Quantity, farm: Farm, stretches: Sequence[Stretch], read: Read) -> _Series | None:
    """Return a quantity over all stretches, by whichever sensor speaks in each; None: no sensor of the farm does."""
    if not any(sensor.quantity is quantity for sensor in farm.sensors.values()):
        return None
    times, values, names, silences = [], [], [], []
    for place, each in enumerate(stretches):
        speaking = sensors_for(farm, each.spot, each.span, quantity)[:1]
        if not speaking or each.span.kind is PhaseKind.SOAK:
            silences.append(Silence(begins_at=each.begins_at, ends_at=each.ends_at, why=_why(each)))
            continue
        begin = each.begins_at - LEAD if place == 0 else each.begins_at
        at_ms, value = usable(read([speaking[0].id], begin, each.ends_at))
        times.append(at_ms)
        values.append(value)
        names.append(speaking[0].id)
    if not names and quantity is Quantity.PPFD:
        return None
    return _Series(
        names=tuple(dict.fromkeys(names)),
        at_ms=np.concatenate(times) if times else np.array([], dtype=np.int64),
        value=np.concatenate(values) if values else np.array([]),
        silences=_merged(silences),
    )


def _why(stretch: Stretch) -> str:
    """Return why nothing is known of trays in a stretch."""
    if stretch.span.kind is PhaseKind.SOAK:
        return "in soak"
    if stretch.spot is None:
        return f"{NOT_MEASURED}: {_NOBODY}"
    return f"{NOT_MEASURED} under the cover" if is_covered(stretch.span) else NOT_MEASURED


def _merged(silences: Sequence[Silence]) -> tuple[Silence, ...]:
    """Return stretches of silence, neighbours with one reason as one."""
    found: list[Silence] = []
    for each in silences:
        if found and found[-1].why == each.why and found[-1].ends_at == each.begins_at:
            found[-1] = replace(found[-1], ends_at=each.ends_at)
        else:
            found.append(each)
    return tuple(found)


def _panel(
    name: str,
    unit: str,
    series: _Series,
    stretches: Sequence[Stretch],
    profile: Profile,
    quantity: Quantity,
    convert: Callable[[Array], Array],
) -> Panel:
    """Return a panel of one quantity, in the farm's units."""
    trace = Trace(name=", ".join(series.names), at_ms=series.at_ms, value=convert(series.value))
    wanted = [
        Wanted(
            begins_at=each.begins_at,
            ends_at=each.ends_at,
            low=None if band.low is None else float(convert(np.array(band.low))),
            high=None if band.high is None else float(convert(np.array(band.high))),
        )
        for each in stretches
        for band in bands_of(each, profile, quantity)
    ]
    traces = (trace,) if len(trace.value) else ()
    return Panel(name=name, unit=unit, traces=traces, wanted=tuple(wanted), silences=series.silences)


def _deficit(temperature: _Series, humidity: _Series) -> Panel:
    """Return the vapour pressure deficit wherever both temperature and humidity are known."""
    at_ms, value = deficit_series(temperature.at_ms, temperature.value, humidity.at_ms, humidity.value)
    traces = (Trace(name="air", at_ms=at_ms, value=value),) if len(value) else ()
    return Panel(
        name="vapour pressure deficit", unit="kPa", traces=traces, silences=humidity.silences, digits=2, floor=0.0
    )


def deficit_series(temp_ms: Times, temp_c: Array, damp_ms: Times, damp_pct: Array) -> tuple[Times, Array]:
    """Return the vapour pressure deficit at the instants of humidity that lie between near readings of temperature.

    Args:
        temp_ms: Instants of temperature, shape (n,), ascending. [ms since 1970 UTC]
        temp_c: Temperature, shape (n,). [degC]
        damp_ms: Instants of humidity, shape (m,), ascending. [ms since 1970 UTC]
        damp_pct: Humidity, shape (m,). [%RH]

    Returns:
        Instants, shape (k,), and deficits, shape (k,). [kPa]
    """
    if not len(temp_ms) or not len(damp_ms):
        return np.array([], dtype=np.int64), np.array([])
    after = np.clip(np.searchsorted(temp_ms, damp_ms), 1, max(len(temp_ms) - 1, 1))
    before_ms, after_ms = temp_ms[after - 1], temp_ms[np.minimum(after, len(temp_ms) - 1)]
    near = np.minimum(np.abs(damp_ms - before_ms), np.abs(after_ms - damp_ms)) <= GAP // timedelta(milliseconds=1)
    temps = np.interp(damp_ms[near], temp_ms, temp_c)
    deficit = vapour_pressure_deficit(temps, np.clip(damp_pct[near], 0.0, 100.0))
    return damp_ms[near], np.maximum(deficit, 0.0)


def rounded_down(now: datetime, step: timedelta = timedelta(minutes=10)) -> datetime:
    """Return an instant cut down to a step, so that a picture is drawn anew once a step and not with every look."""
    step_ms = step // timedelta(milliseconds=1)
    return from_ms(to_ms(now) // step_ms * step_ms)
