"""The weight of a batch's trays over its days, and the water left in them, from the scale that they stood on; pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from alerts.findings import Tick
from alerts.trayfacts import own_cuts
from dashboards.daypicture import Panel, Trace, Wanted
from dashboards.stretches import Stretch
from monitor.amounts import G_PER_OZ
from monitor.availability import fraction_left
from monitor.batches import Batch
from monitor.farm import Farm, Sensor
from monitor.growth import GrowthClock, grown_share, growth_of
from monitor.loadcell import BIN_MS
from monitor.profiles import Profile
from monitor.reach import is_covered
from monitor.readings import USABLE, Block, Quantity
from monitor.scalesetup import setup_at, setups_of

Read = Callable[[Sequence[str], datetime, datetime], Block]
"""Readings of some sensors between two instants, as a store gives them."""

Array = NDArray[np.float64]

Times = NDArray[np.int64]


def usable(block: Block) -> tuple[Times, Array]:
    """Return the readings of one sensor that can be judged on."""
    good = np.isin(block.flag, [int(flag) for flag in USABLE])
    return block.measured_at_ms[good], block.value[good]


def water_panels(
    batch: Batch, profile: Profile, tick: Tick, stretches: Sequence[Stretch], read: Read
) -> Iterator[Panel]:
    """Yield the weight on the scale under the trays, and the water that they had left."""
    found = [(each, scale) for each in stretches if (scale := _scale(tick.farm, each.spot)) is not None]
    if not found or batch.sown_at is None:
        return
    us = tick.farm.units == "US"
    setups = setups_of(tick.entries, tick.farm.sensors)
    times, grams, water_at, water = [], [], [], []
    for each, scale in found:
        at_ms, shown = usable(read([scale.id], each.begins_at, each.ends_at))
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
