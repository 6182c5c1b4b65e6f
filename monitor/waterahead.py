"""The water of a tray at an instant, and how it goes on from there without a pour; pure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.availability import pour_to_target, stress_coefficient
from monitor.candidates import Candidates, normals
from monitor.drying import DryingRate, strength
from monitor.growth import GrowthClock, cover_share, grown_share
from monitor.trayfacts import Air, Known, TrayFacts

Array = NDArray[np.float64]
HORIZON_H = 96.0
"""How far a tray is looked ahead of. [h]"""
COVERED_G_H = 0.9
"""Loss of a nominal tray under a cover. Common practice, no source: 5 to 40 g a day. [g/h]"""
HOUR_MS = 3_600_000
_STEP_H = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayWater:
    """The water of one tray at an instant.

    Attributes:
        known: How it is known.
        at_ms: The instant. [ms since 1970 UTC]
        left: Available water fraction, the middle of what is possible; over 1: water stands in the bottom tray. [0-1]
        left_low, left_high: Between these it lies in 80 of 100 cases. [0-1]
        deficit_g: What it could still take to be full; under 0: what stands in the bottom tray. [g]
        plants_g: What the plants weigh by now, as far as known. [g]
        refill_h, dry_h: Hours until the refill point and until plants limp, without a pour; 0: there already, the
            horizon: not within it. [h]
        refill_h_low, refill_h_high, dry_h_low, dry_h_high: The same, in 80 of 100 cases. [h]
        rate: The drying rate that was used.
        target: Fraction that a pour brings it to. [0-1]
        most_pour_g: What it takes at once. [g]
    """

    known: Known
    at_ms: int
    left: float
    left_low: float
    left_high: float
    deficit_g: float
    plants_g: float
    refill_h: float
    refill_h_low: float
    refill_h_high: float
    dry_h: float
    dry_h_low: float
    dry_h_high: float
    rate: DryingRate
    target: float = 1.0
    most_pour_g: float = 1500.0
    _refill_each: Array = field(repr=False, compare=False, default_factory=lambda: np.zeros(0))
    _dry_each: Array = field(repr=False, compare=False, default_factory=lambda: np.zeros(0))

    @property
    def pour_g(self) -> float:
        """Return what brings it to its target. [g = ml]."""
        return pour_to_target(self.deficit_g, target=self.target, left=min(self.left, 1.0), most_g=self.most_pour_g)

    def chance_refill_within(self, hours: float) -> float:
        """Return how likely it comes to its refill point within some hours. [0-1]."""
        return float((self._refill_each <= hours).mean())

    def chance_dry_within(self, hours: float) -> float:
        """Return how likely its plants limp within some hours. [0-1]."""
        return float((self._dry_each <= hours).mean())


def grown_of(members: Candidates, clock: GrowthClock, at_ms: float) -> Array:
    """Return what each candidate's plants weigh at an instant, shape (COUNT,). [g]."""
    way = float(clock.share(at_ms)) * np.exp(members["pace"])
    return np.maximum(np.exp(members["yield"]) * grown_share(way) + members["extra"], 0.0)


def hours_ahead(
    deficit: Array, span: Array, rate: DryingRate, facts: TrayFacts, air: Air, grown: Candidates | None, begin_ms: float
) -> tuple[Array, Array]:
    """Return each candidate's hours from ``begin_ms`` to the refill and the wilting point, shape (COUNT,). [h].

    Args:
        deficit: What each could take to be full. [g]
        span: Grams between full and limp of each. [g]
        rate: Drying rate.
        facts: The tray.
        air: Light and air to come; the last day again where nothing is known.
        grown: Growth of each candidate; None: the usual one.
        begin_ms: Where to begin. [ms since 1970 UTC]
    """
    count = len(deficit)
    sigma = float(np.hypot(0.12, 0.5 * rate.spread))
    speed = np.exp(sigma * normals(40))
    edges = begin_ms + np.arange(0, HORIZON_H + _STEP_H, _STEP_H) * HOUR_MS
    middle = edges[:-1] + _STEP_H * HOUR_MS / 2
    way = facts.clock.share(edges)
    covered = np.full(len(middle), facts.uncovered_ms is None)
    lit = air.lit_at(middle) & (facts.lit_ms is not None)
    by_hour = np.where(lit, rate.lit_g_h, rate.dark_g_h) * strength(cover_share(way[:-1]), air.deficit_at(middle), lit)
    by_hour = np.where(covered, COVERED_G_H * facts.scale, by_hour)
    shares = grown_share(way)
    gain = np.diff(shares)[:, None] * (
        np.exp(grown["yield"]) if grown is not None else np.full(count, facts.yield_g.usual)
    )
    refill_h, dry_h = np.full(count, HORIZON_H), np.full(count, HORIZON_H)
    before = facts.wilting + (1 - facts.wilting) * (1 - deficit / span)
    refill_h[before <= facts.refill] = 0.0
    dry_h[before <= facts.wilting] = 0.0
    total = span / (1 - facts.wilting)
    for place in range(len(middle)):
        slowed = stress_coefficient(np.maximum(deficit, 0.0), total, 1 - facts.refill)
        deficit = deficit + by_hour[place] * _STEP_H * speed * slowed + gain[place]
        left = facts.wilting + (1 - facts.wilting) * (1 - deficit / span)
        drop = np.maximum(before - left, 1e-9)
        for limit, hours in ((facts.refill, refill_h), (facts.wilting, dry_h)):
            crossed = (before > limit) & (left <= limit) & (hours == HORIZON_H)
            hours[crossed] = (place + ((before - limit) / drop)[crossed]) * _STEP_H
        before = left
        if (dry_h < HORIZON_H).all():
            break
    return refill_h, dry_h


def judged(
    known: Known,
    deficit: Array,
    span: Array,
    rate: DryingRate,
    facts: TrayFacts,
    air: Air,
    members: Candidates | None,
    seen_ms: float,
    now_ms: int,
) -> TrayWater:
    """Return the judgement over all candidates, seen at one instant and asked for at a later one."""
    refill, dry = hours_ahead(deficit, span, rate, facts, air, members, seen_ms)
    late_h = max((now_ms - seen_ms) / HOUR_MS, 0.0)
    refill, dry = np.maximum(refill - late_h, 0.0), np.maximum(dry - late_h, 0.0)
    left = facts.wilting + (1 - facts.wilting) * (1 - deficit / span)
    low, middle, high = (float(each) for each in np.quantile(left, (0.1, 0.5, 0.9)))
    refill_low, refill_mid, refill_high = (float(each) for each in np.quantile(refill, (0.1, 0.5, 0.9)))
    dry_low, dry_mid, dry_high = (float(each) for each in np.quantile(dry, (0.1, 0.5, 0.9)))
    plants = (
        float(np.median(grown_of(members, facts.clock, now_ms)))
        if members is not None
        else float(facts.yield_g.usual * grown_share(facts.clock.share(now_ms)))
    )
    return TrayWater(
        known=known,
        at_ms=now_ms,
        left=middle,
        left_low=low,
        left_high=high,
        deficit_g=float(np.median(deficit)),
        plants_g=plants,
        refill_h=refill_mid,
        refill_h_low=refill_low,
        refill_h_high=refill_high,
        dry_h=dry_mid,
        dry_h_low=dry_low,
        dry_h_high=dry_high,
        rate=rate,
        most_pour_g=facts.most_pour_g,
        _refill_each=refill,
        _dry_each=dry,
    )
