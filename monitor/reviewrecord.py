"""What can be known of one batch, gathered: its phases, the sensors that spoke for it, its water, its seed; pure.

Readings come through a function that is handed in, so that a store, rolled-up series or arrays can stand behind it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from monitor.banded import Series
from monitor.batches import Batch, Part
from monitor.farm import Farm, Sensor
from monitor.growth import GrowthClock
from monitor.holds import lots_sown
from monitor.ledger import EntryKind
from monitor.light import lux_factor
from monitor.outcomes import Outcome, outcome_of
from monitor.phases import PhaseSpan, Standing, spans
from monitor.places import SpotKind
from monitor.profiles import Profile
from monitor.reach import is_covered, sensors_for
from monitor.readings import Quantity, to_ms
from monitor.review import Nudged, Record, Stretch
from monitor.reviewwater import water_left
from monitor.scalesetup import ScaleSetup, setups_of

Reader = Callable[[str, datetime, datetime], Series]
"""Usable readings of one sensor with start <= instant < end."""
_AIR = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.LIGHT, Quantity.PPFD)
_TOLD = (EntryKind.SOWN, EntryKind.STACKED, EntryKind.UNCOVERED, EntryKind.LIGHTS_ON, EntryKind.MOVED)


def main_part(batch: Batch) -> Part | None:
    """Return the part that most trays of a batch belong to; it stands for the batch."""
    return max(batch.parts, key=lambda part: part.trays, default=None)


def record_of(
    farm: Farm,
    profile: Profile,
    batch: Batch,
    read: Reader,
    *,
    now: datetime,
    nudges: Sequence[Nudged] = (),
    setups: Mapping[str, tuple[ScaleSetup, ...]] | None = None,
) -> Record:
    """Return all that is known of one batch.

    Args:
        farm: The farm.
        profile: The batch's crop.
        batch: The batch.
        read: Where readings come from.
        now: The instant of asking; what lies after it is not looked at.
        nudges: What was asked of people about it.
        setups: Set-ups of the scales; None: those that farm.toml holds.
    """
    kind = farm.tray_kinds.get(batch.tray_kind or "")
    scale = farm.tray_size(batch.tray_kind)
    outcome = outcome_of(batch, profile, tray_scale=scale, zone=farm.zone)
    part = main_part(batch)
    end = min(now, part.ended_at) if part and part.ended_at else now
    begin = batch.sown_at or batch.soaked_at or now
    where = _whereabouts(batch, part)
    stretches = _stretches(farm, profile, batch, part, read, where, end)
    spot = where[-1][1] if where else None
    said = next((entry.data.get("medium") for entry in batch.entries if entry.data.get("medium")), None)
    lots = lots_sown(batch)
    light = _light_sensor(farm, spot, stretches)
    record = Record(
        batch=batch,
        profile=profile,
        outcome=outcome,
        stretches=stretches,
        spot=spot,
        shelf=_shelf(farm, spot),
        lot=lots[0] if lots else None,
        medium=str(said) if said else kind.medium if kind and kind.medium else None,
        seed_g=None if batch.seed_g_per_tray is None else batch.seed_g_per_tray / scale,
        lux_per_umol=None if light is None else lux_factor(light.lux_per_umol, light.lamp_kind),
        nudges=tuple(nudges),
        begin_ms=to_ms(begin),
        end_ms=to_ms(end),
    )
    known = setups if setups is not None else setups_of((), farm.sensors)
    return replace(record, water=_water(farm, record, outcome, read, known, begin, end, scale))


def _whereabouts(batch: Batch, part: Part | None) -> list[tuple[int, str]]:
    """Return where the trays were from which instant on, oldest first."""
    found: list[tuple[int, str]] = []
    for entry in batch.entries:
        place = entry.data.get("to") if entry.kind in _TOLD[2:] else entry.spot if entry.kind in _TOLD else None
        if place:
            found.append((to_ms(entry.at), str(place)))
    if not found and part is not None and part.spot:
        found.append((0, part.spot))
    return found


def _at(where: Sequence[tuple[int, str]], at_ms: int) -> str | None:
    """Return where the trays were at an instant."""
    before = [place for since, place in where if since <= at_ms]
    return before[-1] if before else where[0][1] if where else None


def _shelf(farm: Farm, spot: str | None) -> str | None:
    """Return the shelf that holds a place, or the place itself where no shelf does."""
    if spot is None or spot not in farm.places:
        return spot
    chain = farm.places.chain(spot)
    return next((each for each in chain if farm.places[each].kind is SpotKind.SHELF), spot)


def _stretches(
    farm: Farm,
    profile: Profile,
    batch: Batch,
    part: Part | None,
    read: Reader,
    where: Sequence[tuple[int, str]],
    end: datetime,
) -> tuple[Stretch, ...]:
    """Return the phases behind a batch, each with the sensors that spoke for its trays."""
    line = [span for span in spans(batch, part, profile, now=end, zone=farm.zone) if span.began_at is not None]
    found = []
    for place, span in enumerate(line):
        began = span.began_at
        following = line[place + 1] if place + 1 < len(line) else None
        until = following.began_at if following is not None and following.began_at is not None else end
        if began is None or (until <= began and place + 1 < len(line)):
            continue
        spot = _at(where, (to_ms(began) + to_ms(until)) // 2)
        found.append(
            Stretch(
                kind=span.kind,
                begin_ms=to_ms(began),
                end_ms=to_ms(until),
                begins=span.standing,
                ends=following.standing if following is not None else Standing.ENTERED,
                covered=is_covered(span),
                series=_series(farm, spot, span, read, began, until),
                days=_days(began, until, farm.zone),
            )
        )
    return tuple(found)


def _days(begin: datetime, end: datetime, zone: ZoneInfo) -> int:
    """Return how many local calendar days lie between two instants."""
    return (end.astimezone(zone).date() - begin.astimezone(zone).date()).days


def _series(
    farm: Farm, spot: str | None, span: PhaseSpan, read: Reader, begin: datetime, end: datetime
) -> dict[Quantity, Series]:
    """Return what the nearest sensors that speak for trays at a place measured in a phase."""
    found = {}
    for quantity in _AIR:
        for sensor in sensors_for(farm, spot, span, quantity):
            series = read(sensor.id, begin - timedelta(minutes=30), end)
            if len(series.at_ms):
                found[quantity] = series
                break
    return found


def _light_sensor(farm: Farm, spot: str | None, stretches: Sequence[Stretch]) -> Sensor | None:
    """Return the light sensor of a place, whose factor turns lux into photons."""
    if spot is None or not any(Quantity.LIGHT in stretch.series for stretch in stretches):
        return None
    chain = farm.places.chain(spot) if spot in farm.places else (spot,)
    lights = [each for each in farm.sensors.values() if each.quantity is Quantity.LIGHT and not each.under_cover]
    return next((each for place in chain for each in lights if each.spot == place), None)


def _water(
    farm: Farm,
    record: Record,
    outcome: Outcome,
    read: Reader,
    setups: Mapping[str, tuple[ScaleSetup, ...]],
    begin: datetime,
    end: datetime,
    scale: float,
) -> Series | None:
    """Return the available water of a tray of a batch by the scale under it; None: no scale could tell."""
    if record.spot is None or record.batch.sown_at is None:
        return None
    under = [
        sensor
        for sensor in farm.sensors.values()
        if sensor.quantity is Quantity.WEIGHT and farm.places.is_within(sensor.spot, record.spot)
    ]
    for sensor in under:
        setup = next((each for each in reversed(setups.get(sensor.id, ())) if each.since <= end), None)
        if setup is None or setup.full_g is None or setup.limp_g is None:
            continue
        shown = read(sensor.id, begin, end)
        if not len(shown.at_ms):
            continue
        grams = (shown.value - setup.zero_g) * setup.factor / sensor.trays_on_it
        weight = Series(at_ms=shown.at_ms, value=grams - _on_top(record, shown), speaks_ms=shown.speaks_ms)
        with_seed = 0.0 if setup.has_seed else (record.seed_g or record.profile.seed_g_per_tray.usual) * scale
        grown = (outcome.yield_g or record.profile.yield_g_per_tray.usual) * scale
        return water_left(
            weight,
            full_g=setup.full_g + with_seed,
            limp_g=setup.limp_g + with_seed,
            wilting=record.profile.wilting_fraction.value,
            yield_g=grown,
            clock=GrowthClock(sown_at=record.batch.sown_at, usual=max(end - record.batch.sown_at, timedelta(days=1))),
        )
    return None


def _on_top(record: Record, shown: Series) -> np.ndarray:
    """Return the weight that lay on the tray by the entries, at each reading. [g]."""
    on_top = np.zeros(len(shown.at_ms))
    for entry in record.batch.entries:
        kilograms = entry.data.get("weight_kg") if entry.kind is EntryKind.STACKED else None
        if kilograms:
            off = [to_ms(each.at) for each in record.batch.entries if each.kind in _TOLD[2:4] and each.at > entry.at]
            until = min(off, default=next((each.end_ms for each in record.stretches if each.covered), record.end_ms))
            inside = (shown.at_ms >= to_ms(entry.at)) & (shown.at_ms < until)
            on_top[inside] = float(kilograms) * 1000
    return on_top
