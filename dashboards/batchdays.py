"""What a batch's days were, gathered from ledger, profile and store into one picture; pure but for the store's reading.

Which sensor speaks changes with the phase and the place: a tray under its cover is spoken for only from under it, and
one that was moved by the sensors of the shelf on which it stood then. Doubtful readings are not drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from alerts.trayfacts import own_cuts
from dashboards.daypicture import GAP, DayPicture, Mark, Panel, Shade, Silence, Trace, Wanted
from monitor.air import vapour_pressure_deficit
from monitor.amounts import G_PER_OZ
from monitor.availability import fraction_left
from monitor.batches import Batch, Part
from monitor.clock import at_local, local_day
from monitor.farm import Farm, Sensor
from monitor.growth import GrowthClock, grown_share, growth_of
from monitor.ledger import Entry, EntryKind
from monitor.loadcell import BIN_MS
from monitor.phases import PhaseSpan, Standing, spans
from monitor.places import LampHours
from monitor.profiles import Band, PhaseKind, Profile, Where
from monitor.reach import NOT_MEASURED, is_covered, sensors_for
from monitor.readings import USABLE, Block, Quantity, from_ms, to_ms
from monitor.scalesetup import setup_at, setups_of

Read = Callable[[Sequence[str], datetime, datetime], Block]
"""Readings of some sensors between two instants, as a store gives them."""
Array = NDArray[np.float64]
Times = NDArray[np.int64]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Trays in one phase at one place.

    Attributes:
        begins_at: From when.
        ends_at: Until when.
        spot: Where; None: nobody said.
        span: Their phase.
    """

    begins_at: datetime
    ends_at: datetime
    spot: str | None
    span: PhaseSpan


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


def _begun(
    batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm
) -> list[tuple[PhaseSpan, datetime, datetime]]:
    """Return the phases that have begun, each with its begin and its end, in order."""
    line = [
        (span, span.began_at)
        for span in spans(batch, part, profile, now=until, zone=farm.zone)
        if span.began_at is not None and span.began_at <= until
    ]
    ends = [begin for _, begin in line[1:]] + [until]
    return [
        (span, begin, end) for (span, begin), end in zip(line, ends, strict=True) if end > begin or span is line[-1][0]
    ]


def _shades(batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm) -> Iterator[Shade]:
    """Yield the phases on the time axis."""
    for span, begin, end in _begun(batch, part, profile, until, farm):
        guess = span.standing is Standing.PRESUMED
        yield Shade(name=span.kind.value, begins_at=begin, ends_at=end, is_guess=guess)


def places_of(
    batch: Batch, part: Part | None, begins_at: datetime, ends_at: datetime
) -> list[tuple[datetime, datetime, str | None]]:
    """Return where a part stood, oldest first, as (from, until, place), followed back from where it stands.

    Args:
        batch: The batch.
        part: The part; None: nothing is known.
        begins_at: From when it is asked.
        ends_at: Until when.
    """
    wanted = part.spot if part else None
    put = [(entry.at, to, entry.spot) for entry in batch.entries if (to := _put(entry)) is not None]
    found: list[tuple[datetime, datetime, str | None]] = []
    until = ends_at
    for place in range(len(put) - 1, -1, -1):
        at, to, was = put[place]
        if to != wanted or not begins_at < at < until:
            continue
        earlier = was if was is not None and was != to else (put[place - 1][1] if place else None)
        if earlier is None or earlier == wanted:
            continue
        found.append((at, until, wanted))
        wanted, until = earlier, at
    return [*reversed([*found, (begins_at, until, wanted)])]


def _put(entry: Entry) -> str | None:
    """Return the place to which an entry put trays, or None."""
    if entry.kind in (EntryKind.SOWN, EntryKind.STACKED):
        return entry.spot
    if entry.kind in (EntryKind.UNCOVERED, EntryKind.LIGHTS_ON, EntryKind.MOVED):
        to = entry.data.get("to")
        return None if to is None else str(to)
    return None


def stretches_of(batch: Batch, part: Part | None, profile: Profile, until: datetime, farm: Farm) -> Iterator[Stretch]:
    """Yield the stretches of time in which a part was in one phase at one place, oldest first."""
    begun = _begun(batch, part, profile, until, farm)
    if not begun:
        return
    placed = places_of(batch, part, begun[0][1], until)
    for span, begin, end in begun:
        for since, to, spot in placed:
            first, last = max(begin, since), min(end, to)
            if first < last:
                yield Stretch(begins_at=first, ends_at=last, spot=spot, span=span)


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
    yield from _water(batch, profile, tick, stretches, read)


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
        at_ms, value = _usable(read([speaking[0].id], begin, each.ends_at))
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


def _usable(block: Block) -> tuple[Times, Array]:
    """Return the readings of one sensor that can be judged on."""
    good = np.isin(block.flag, [int(flag) for flag in USABLE])
    return block.measured_at_ms[good], block.value[good]


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


def bands_of(stretch: Stretch, profile: Profile, quantity: Quantity) -> tuple[Band, ...]:
    """Return what a phase asks of a quantity where the trays stand; past the window, what the window asks."""
    kind = PhaseKind.HARVEST if stretch.span.kind is PhaseKind.OVERGROWN else stretch.span.kind
    plan = profile.plan(kind)
    if plan is None:
        return ()
    damp = quantity is Quantity.HUMIDITY and is_covered(stretch.span)
    return tuple(band for band in plan.bands.get(quantity, ()) if not (damp and band.where is Where.ROOM_AIR))[:1]


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


def _water(batch: Batch, profile: Profile, tick: Tick, stretches: Sequence[Stretch], read: Read) -> Iterator[Panel]:
    """Yield the weight on the scale under the trays, and the water that they had left."""
    found = [(each, scale) for each in stretches if (scale := _scale(tick.farm, each.spot)) is not None]
    if not found or batch.sown_at is None:
        return
    us = tick.farm.units == "US"
    setups = setups_of(tick.entries, tick.farm.sensors)
    times, grams, water_at, water = [], [], [], []
    for each, scale in found:
        at_ms, shown = _usable(read([scale.id], each.begins_at, each.ends_at))
        held = setup_at(setups.get(scale.id, ()), each.ends_at)
        weight = shown if held is None else (shown - held.zero_g) * held.factor
        times.append(at_ms)
        grams.append(weight / scale.trays_on_it)
        if held is not None and held.full_g is not None and held.limp_g is not None and not is_covered(each.span):
            seed_g = 0.0 if held.has_seed else _seed_g(batch, profile, tick.farm)
            half_ms, half_g = half_hours(at_ms, weight / scale.trays_on_it)
            plants_g = _plants_g(batch, profile, tick, half_ms)
            full, limp = held.full_g + seed_g + plants_g, held.limp_g + seed_g + plants_g
            water_at.append(half_ms)
            water.append(fraction_left(half_g, full, limp, profile.wilting_fraction.value) * 100)
    names = ", ".join(dict.fromkeys(scale.id for _, scale in found))
    at_ms, weight = np.concatenate(times), np.concatenate(grams)
    if not len(weight):
        return
    shown = weight / G_PER_OZ if us else weight
    yield Panel(
        name="weight of a tray",
        unit="oz" if us else "g",
        traces=(Trace(name=names, at_ms=at_ms, value=shown),),
        digits=1 if us else 0,
    )
    if water and len(np.concatenate(water)):
        yield _left(np.concatenate(water_at), np.concatenate(water), names, profile, found)


def _left(at_ms: Times, percent: Array, name: str, profile: Profile, found: Sequence[tuple[Stretch, Sensor]]) -> Panel:
    """Return the panel of available water, between the point at which it is to be watered and full."""
    open_ = [each for each, _ in found if not is_covered(each.span)]
    refill = profile.refill_fraction.value * 100
    return Panel(
        name="water left in a tray",
        unit="%",
        traces=(Trace(name=name, at_ms=at_ms, value=percent),),
        wanted=tuple(Wanted(begins_at=each.begins_at, ends_at=each.ends_at, low=refill, high=100.0) for each in open_),
        digits=0,
        floor=0.0,
        ceiling=100.0,
    )


def _scale(farm: Farm, spot: str | None) -> Sensor | None:
    """Return the scale under trays at a place, or under the shelf that they stand on; the one with fewest trays."""
    if spot is None:
        return None
    found = [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity is Quantity.WEIGHT
        and (farm.places.is_within(sensor.spot, spot) or farm.places.is_within(spot, sensor.spot))
    ]
    return min(found, key=lambda sensor: sensor.trays_on_it, default=None)


def _seed_g(batch: Batch, profile: Profile, farm: Farm) -> float:
    """Return the seed of one tray. [g]."""
    usual = profile.seed_g_per_tray.usual * farm.tray_size(batch.tray_kind)
    return usual if batch.seed_g_per_tray is None else batch.seed_g_per_tray


def _plants_g(batch: Batch, profile: Profile, tick: Tick, at_ms: Times) -> Array:
    """Return what the plants of one tray weigh at some instants, by the usual growth of the crop. [g]."""
    grown = growth_of(profile, own_cuts(tick, batch))
    sown_at = batch.sown_at or tick.now
    clock = GrowthClock(sown_at=sown_at, usual=timedelta(days=grown.days))
    yield_g = grown.yield_g.usual * tick.farm.tray_size(batch.tray_kind)
    return yield_g * grown_share(clock.share(at_ms.astype(float)))


def half_hours(at_ms: Times, value: Array) -> tuple[Times, Array]:
    """Return the median of each half hour in which something was heard, at its middle; a tray that is lifted is no dip.

    Args:
        at_ms: Shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,). [any unit]
    """
    if not len(at_ms):
        return at_ms, value
    bins, starts = np.unique(at_ms // BIN_MS, return_index=True)
    medians = np.array([float(np.median(each)) for each in np.split(value, starts[1:])])
    return bins * BIN_MS + BIN_MS // 2, medians


def last_reading_at(panel: Panel) -> datetime | None:
    """Return when a panel's first series was last heard, or None."""
    return from_ms(int(panel.traces[0].at_ms[-1])) if panel.traces and len(panel.traces[0].at_ms) else None


def rounded_down(now: datetime, step: timedelta = timedelta(minutes=10)) -> datetime:
    """Return an instant cut down to a step, so that a picture is drawn anew once a step and not with every look."""
    step_ms = step // timedelta(milliseconds=1)
    return from_ms(to_ms(now) // step_ms * step_ms)
