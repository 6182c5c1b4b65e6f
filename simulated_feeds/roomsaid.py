"""What the sensors of a simulated room said, and when it came: noise, lags, gaps, wrong clocks, late packets; pure.

The truth reaches what is said through here only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.readings import Quantity
from simulated_feeds.roomclock import Minutes
from simulated_feeds.roomfaults import Fault
from simulated_feeds.roomplan import Node, RoomPlan, SensorModel
from simulated_feeds.roomtruth import RoomTruth, lagged
from simulated_feeds.weekparameters import DRIFT_PCT_PER_C, RANGES, SPIKE_SIZE, FaultKind, draw, happens, within

Array = NDArray[np.float64]
_LATE = RANGES["late_fault_min"].low, RANGES["late_fault_min"].high


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the sensors said, in the order in which it came; the arrays have shape (n,).

    Attributes:
        sensors: Names that ``sensor`` points into.
        arrival_ms: When it came. [ms since 1970]
        sensor: Whose it is.
        measured_at_ms: When the device says it was measured. [ms since 1970]
        value: What it says. [stored unit]
    """

    sensors: tuple[str, ...]
    arrival_ms: NDArray[np.int64]
    sensor: NDArray[np.int32]
    measured_at_ms: NDArray[np.int64]
    value: Array

    def __len__(self) -> int:
        """Return how many values came."""
        return len(self.value)


def true_at(plan: RoomPlan, truth: RoomTruth, sensor: SensorModel) -> Array:
    """Return what truly holds where a sensor is, each minute."""
    if sensor.shelf == -2:
        return truth.store_c
    if sensor.shelf == -1:
        return truth.air.temp_c if sensor.quantity is Quantity.TEMPERATURE else truth.air.humidity_pct
    place = truth.covers if sensor.under_cover else truth.shelves
    if sensor.quantity is Quantity.TEMPERATURE:
        return np.asarray(place.temp_c[sensor.shelf])
    return np.asarray((place.humidity_pct if sensor.quantity is Quantity.HUMIDITY else place.light_lx)[sensor.shelf])


def said_of(
    rng: np.random.Generator, plan: RoomPlan, minutes: Minutes, truth: RoomTruth, faults: Sequence[Fault]
) -> Said:
    """Return what all sensors said in these minutes."""
    models = list(plan.sensors)
    felt = _felt(plan, truth, models)
    names = tuple(model.id for model in models)
    columns: list[tuple[Array, Array, Array, int]] = []
    shares = [draw(rng, name) for name in ("lost_share", "twice_share", "late_share")]
    first = 0
    for place, node in enumerate(plan.nodes):
        own = [fault for fault in faults if _concerns(fault, place, node)]
        truly, came, stamped = _packets(rng, node, len(minutes), own, shares)
        for number, model in enumerate(node.sensors, start=first):
            values = _values(rng, model, felt[number], truly, own)
            kept = ~np.isnan(values)
            columns.append((came[kept], stamped[kept], values[kept], number))
        first += len(node.sensors)
    came = np.concatenate([each[0] for each in columns])
    order = np.argsort(came, kind="stable")
    return Said(
        sensors=names,
        arrival_ms=minutes.ms(came[order]),
        sensor=np.concatenate([np.full(len(each[0]), each[3], dtype=np.int32) for each in columns])[order],
        measured_at_ms=minutes.ms(np.concatenate([each[1] for each in columns])[order]),
        value=np.concatenate([each[2] for each in columns])[order],
    )


_OF_NODE = (FaultKind.CLOCK_OFF, FaultKind.TWICE, FaultKind.LATE, FaultKind.NODE_SILENT)
_OF_SENSOR = (FaultKind.SENSOR_STUCK, FaultKind.SENSOR_DRIFTS, FaultKind.SENSOR_SPIKES, FaultKind.SENSOR_SILENT)


def _concerns(fault: Fault, place: int, node: Node) -> bool:
    """Tell whether a fault is one of a node or of a sensor on it."""
    if fault.kind is FaultKind.ALL_SILENT:
        return True
    return fault.kind in (*_OF_NODE, *_OF_SENSOR) and fault.index == place


def _felt(plan: RoomPlan, truth: RoomTruth, models: Sequence[SensorModel]) -> Array:
    """Return what each sensor's element has, each minute: the truth behind its lag, and the lamp on it."""
    rows = []
    for model in models:
        row = true_at(plan, truth, model)
        if model.lamp_error:
            row = row + model.lamp_error * truth.lit[plan.shelves[model.shelf].rack]
        rows.append(row)
    return lagged(np.array(rows), np.array([model.lag_min for model in models]))


def _packets(
    rng: np.random.Generator, node: Node, count: int, faults: Sequence[Fault], shares: Sequence[float]
) -> tuple[Array, Array, Array]:
    """Return (when measured, when it came, which instant it carries) of a node's messages, copies among them. [min]."""
    step = node.interval_s / 60
    size = int(count / step)
    even = (np.arange(size) + float(rng.uniform()) + rng.normal(0, node.jitter_s / 60 / step, size)) * step
    truly: Array = np.clip(np.sort(even), 0, count - 1e-6)
    came: Array = truly + rng.uniform(0.2, 1.0, size) * draw(rng, "delay_s") / 60
    lost, twice, late = (rng.random(size) < share for share in shares)
    came = np.where(late, came + rng.uniform(0.2, draw(rng, "late_min"), size), came)
    copies = np.where(twice, 2, 1)
    if happens(rng, "battery swap"):
        begin = float(rng.uniform(0, count))
        lost |= (truly >= begin) & (truly < begin + draw(rng, "battery_swap_min"))
    stamped: Array = truly.copy()
    for fault in faults:
        now = (truly >= fault.begins) & (truly < fault.ends)
        if fault.kind is FaultKind.CLOCK_OFF:
            stamped = np.where(now, _wrong_clock(rng, fault, truly), stamped)
        elif fault.kind is FaultKind.TWICE:
            copies = np.where(now, round(fault.severity), copies)
        elif fault.kind is FaultKind.LATE:
            held = now & (rng.random(size) < fault.severity)
            came = np.where(held, came + rng.uniform(*_LATE, size), came)
        elif fault.kind in (FaultKind.NODE_SILENT, FaultKind.ALL_SILENT):
            if _is_kept(fault):
                came = np.where(now, fault.ends + rng.uniform(0.01, 0.5, size), came)
            else:
                lost |= now
    kept = ~lost
    which = np.repeat(np.flatnonzero(kept), copies[kept])
    again = np.concatenate([[False], which[1:] == which[:-1]]) if len(which) else np.zeros(0, dtype=bool)
    arrived = came[which] + np.where(again, rng.uniform(0.01, 2.0, len(which)), 0.0)
    return truly[which], arrived, stamped[which]


def _is_kept(fault: Fault) -> bool:
    """Tell whether what a silent time held back comes in one burst after it."""
    return fault.sign > 0


def _wrong_clock(rng: np.random.Generator, fault: Fault, truly: Array) -> Array:
    """Return the instants that a device with a wrong clock gives. [min]."""
    if happens(rng, "clock begins again"):
        return np.asarray(truly - fault.begins - 56 * 365.25 * 1440)  # begins near 1970 again
    by = fault.severity if fault.sign > 0 else -draw(rng, "clock_behind_min")
    return np.asarray(truly + by)


def _values(rng: np.random.Generator, model: SensorModel, felt: Array, truly: Array, faults: Sequence[Fault]) -> Array:
    """Return what a sensor shows at instants, NaN where it says nothing."""
    minute = np.minimum(truly.astype(np.int64), len(felt) - 1)
    size = len(truly)
    noise = rng.normal(0, 1, size)
    if model.quantity is Quantity.LIGHT:
        shown = felt[minute] * model.scale * (1 + model.noise * noise)
    else:
        shown = felt[minute] * model.scale + model.offset + model.noise * noise
    silent = np.zeros(size, dtype=bool)
    for fault in faults:
        if fault.where != model.id:
            continue
        now = (truly >= fault.begins) & (truly < fault.ends)
        if fault.kind is FaultKind.SENSOR_STUCK and now.any():
            shown = np.where(now, shown[max(int(np.flatnonzero(now)[0]) - 1, 0)], shown)
        elif fault.kind is FaultKind.SENSOR_DRIFTS:
            by_hour = fault.severity * (1.0 if model.quantity is Quantity.TEMPERATURE else DRIFT_PCT_PER_C)
            shown = np.where(now, shown + fault.sign * by_hour * (truly - fault.begins) / 60, shown)
        elif fault.kind is FaultKind.SENSOR_SPIKES:
            shown = _spiked(rng, model, shown, truly, now, fault)
        elif fault.kind is FaultKind.SENSOR_SILENT:
            silent |= now
    shown = np.round(np.round(shown / model.step) * model.step, 4)
    if model.quantity is Quantity.HUMIDITY:
        shown = np.clip(shown, 0.0, 100.0)
    elif model.quantity is Quantity.LIGHT:
        shown = np.maximum(shown, 0.0)
    return np.where(silent, np.nan, shown)


def _spiked(
    rng: np.random.Generator, model: SensorModel, shown: Array, truly: Array, now: NDArray[np.bool_], fault: Fault
) -> Array:
    """Return values with single ones thrown far off; the first one is."""
    if not now.any():
        return shown
    span = SPIKE_SIZE[model.quantity.value]
    every_min = float(np.median(np.diff(truly))) if len(truly) > 1 else 1.0
    hit = now & (rng.random(len(truly)) < min(fault.severity * every_min / 60, 0.4))
    hit[int(np.flatnonzero(now)[0])] = True
    sizes = np.array([within(rng, span) for _ in range(int(hit.sum()))]) * rng.choice((-1, 1), int(hit.sum()))
    found = shown.copy()
    found[hit] += sizes
    return found
