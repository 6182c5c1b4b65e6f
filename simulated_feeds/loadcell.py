"""A simulated load cell under a tray or a pile: noise, drift, creep, bumps, hands, lifts and gaps; pure, seeded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.lifeparameters import RANGES
from simulated_feeds.traylife import SOWN_H, STEP_H, Deed, TrayLife

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Record:
    """What the cell sent, and what truly happened on it.

    Attributes:
        at_h: Hours since the first midnight, ascending, shape (n,). [h]
        grams: What it showed, shape (n,). [g]
        events: What truly happened on it, in order, those that stand out of its noise only.
        tray_g: What one more tray in the pile weighs. [g]
    """

    at_h: Array
    grams: Array
    events: tuple[Deed, ...]
    tray_g: float


def _ramp(at_h: Array, begin_h: float, minutes: float) -> Array:
    """Return 0 before, 1 after, and a straight line while something is poured or taken off."""
    return np.clip((at_h - begin_h) * 60 / minutes, 0, 1)


def _draw(rng: np.random.Generator, name: str) -> float:
    return float(rng.uniform(RANGES[name].low, RANGES[name].high))


def weigh(life: TrayLife, seed: int, *, shelf: bool = False) -> Record:
    """Return what a load cell under the first tray sends; ``shelf``: under all trays, their sum."""
    rng = np.random.default_rng((seed, 77))
    every_min = float(rng.choice((1.0, 2.0, 5.0)))
    at_h = np.arange(SOWN_H, life.steps * STEP_H - 0.2, every_min / 60)
    at_h = at_h + rng.uniform(0, 0.2 * every_min / 60, len(at_h))
    which = range(life.trays) if shelf else range(1)
    start = life.step_at(SOWN_H)
    load = np.zeros(len(at_h))
    events: list[Deed] = []
    steps_h = np.arange(life.steps) * STEP_H
    for tray in which:
        load += life.weight(start, tray) - np.interp(at_h, steps_h, life.lost[:, tray] - life.lost[start, tray])
        for deed in life.deeds:
            if deed.tray == tray and deed.kind != "cut":
                exact_h = deed.at_h + float(rng.uniform(0.005, 0.05))
                load += deed.grams * _ramp(at_h, exact_h, float(rng.uniform(0.5, 2.5)))
                if tray == 0:
                    events.append(Deed(exact_h, deed.kind, deed.grams * len(which)))
        cut = float(life.plants[life.step_at(life.cut_h), tray]) * float(rng.uniform(0.92, 1.0))
        exact_h = life.cut_h + float(rng.uniform(0.01, 0.05)) + 0.05 * tray
        load -= cut * _ramp(at_h, exact_h, 2.0)
        if tray == 0:
            events.append(Deed(exact_h, "cut", -cut * len(which)))
    tray_g = life.weight(start, 0)
    if not shelf and life.pile_trays > 1:
        load += _pile(life, rng, at_h, tray_g, events)
    steps = np.diff(load, prepend=load[0])
    creep = _draw(rng, "creep_share") * _creep(at_h, steps)
    warm = np.interp(at_h, steps_h, life.climate.temp_c)
    drift = np.cumsum(rng.normal(0, _draw(rng, "drift_g_day") * np.sqrt(every_min / 1440), len(at_h)))
    shown = load + creep + drift + _draw(rng, "g_per_degree") * (warm - warm.mean())
    shown = _disturbed(life, rng, at_h, shown, every_min, events)
    shown = shown + rng.normal(0, life.noise_g, len(at_h))
    shown = np.asarray(np.round(shown / 0.5) * 0.5)
    keep = rng.random(len(at_h)) > _draw(rng, "lost_share")
    for event in events:
        if event.kind == "bump":  # one that falls between two readings never happened for the cell
            keep[int(np.searchsorted(at_h, event.at_h))] = True
    gap_h = float(rng.uniform(SOWN_H + 24, life.cut_h - 30))
    if not any(gap_h - 1.5 < event.at_h < gap_h + 6 for event in events):
        keep &= (at_h < gap_h) | (at_h > gap_h + float(rng.uniform(1, 4)))
    clear = [each for each in events if abs(each.grams) >= max(20.0, 5 * life.noise_g)]
    return Record(at_h[keep], shown[keep], tuple(sorted(clear, key=lambda deed: deed.at_h)), tray_g)


def _creep(at_h: Array, steps: Array) -> Array:
    """Return the sum of past changes of load, each approached over half an hour. [g]."""
    out = np.zeros(len(at_h))
    behind = 0.0
    for index in range(1, len(at_h)):
        behind = behind * float(np.exp(-(at_h[index] - at_h[index - 1]) / 0.5)) - steps[index]
        out[index] = behind
    return np.asarray(out - out[-1])


def _pile(life: TrayLife, rng: np.random.Generator, at_h: Array, tray_g: float, events: list[Deed]) -> Array:
    """Return what lies over the tray in the pile: its weight, and the other trays until they are taken off."""
    others = (life.pile_trays - 1) * tray_g
    on_h = SOWN_H + float(rng.uniform(0.25, 0.5))
    added_h = on_h - float(rng.uniform(0.12, 0.2))
    off_h = life.dark_h + float(rng.uniform(0.02, 0.1))
    taken_h = off_h + float(rng.choice((0.005, 0.25)))
    load = others * _ramp(at_h, added_h, 1.0) - others * _ramp(at_h, taken_h, 1.0)
    events += [Deed(added_h, "trays added", others), Deed(taken_h, "trays taken", -others)]
    if life.pile_g:
        load = load + life.pile_g * (_ramp(at_h, on_h, 0.5) - _ramp(at_h, off_h, 0.5))
        events += [Deed(on_h, "weight on", life.pile_g), Deed(off_h, "weight off", -life.pile_g)]
    return load


def _disturbed(
    life: TrayLife, rng: np.random.Generator, at_h: Array, shown: Array, every_min: float, events: list[Deed]
) -> Array:
    """Return the record with trays lifted out and back, hands on the scale, and bumps."""
    shown = shown.copy()
    days = life.cut_h / 24
    taken = [event.at_h for event in events]

    def free(hours: float) -> float | None:
        for _ in range(20):
            begin = float(rng.uniform(SOWN_H + 6, life.cut_h - 3))
            if all(begin + hours + 1.6 < other or begin - 1.6 > other for other in taken):
                taken.append(begin)
                return begin
        return None

    for _ in range(int(rng.poisson(0.35 * days))):
        hours = max(float(rng.uniform(3, 20)), 3.2 * every_min) / 60
        begin = free(hours)
        if begin is not None:
            during = (at_h >= begin) & (at_h < begin + hours)
            events.append(Deed(begin, "lifted", -float(np.median(shown[during])) if during.any() else 0.0))
            shown[during] = rng.normal(0, 1, int(during.sum()))
    for _ in range(int(rng.poisson(0.35 * days))):
        hours = max(float(rng.uniform(2, 12)), 3.2 * every_min) / 60
        begin = free(hours)
        if begin is not None:
            during = (at_h >= begin) & (at_h < begin + hours)
            push = float(rng.uniform(200, 2000))
            events.append(Deed(begin, "hand", push))
            shown[during] += push * (1 + rng.normal(0, 0.15, int(during.sum())))
    for _ in range(int(rng.poisson(0.8 * days))):
        begin = free(0.1)
        if begin is not None:
            index = int(np.searchsorted(at_h, begin))
            jolt = float(rng.choice((-1, 1)) * rng.uniform(80, 600))
            shown[index] += jolt
            events.append(Deed(float(at_h[index]), "bump", jolt))
    return shown
