"""How much water a tray has left, by the scale under it or under a sister; pure.

Weight = tray + dry medium + seed + water + plants, and the plants are made of the tray's own water. So the weight at
which a tray is full, and the weight at which its plants limp, both climb by what the plants have gained; how much that
is, nobody sees. It is carried as many candidates (monitor/candidates.py), each with its own growth, which are moved by
each watering to the brim and each weighing that is marked full or dry.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.availability import fraction_left, stress_coefficient
from monitor.candidates import Candidates, normals
from monitor.drying import DryingRate, drying_rate, usual_rate
from monitor.growth import cover_share, grown_share
from monitor.loadcell import LoadCell, Rest
from monitor.profiles import Span
from monitor.trayfacts import BANDS, HAND_BLUR, Air, Known, Lift, TrayFacts
from monitor.waterahead import HOUR_MS, TrayWater, grown_of, judged

Array = NDArray[np.float64]
_HAND_BESIDE_SCALE = 0.2  # one hand's lifts err alike, so each counts for less beside a scale
_DAYS_SIGMA = 0.12  # common practice, no source: how far the days to the cut differ from a profile's


def _yield_sigma(span: Span) -> float:
    """Return the standard deviation of the yield's logarithm, low and high being its tenth and ninetieth hundredth."""
    return max(float(np.log(span.high / max(span.low, 1.0))) / 2.56, 0.08)


def _full(members: Candidates, facts: TrayFacts, at_ms: float) -> Array:
    """Return what each candidate weighs full, with its plants, shape (COUNT,). [g]."""
    return (facts.full_g or 0.0) + members["full"] + grown_of(members, facts.clock, at_ms)


def _limp(members: Candidates, facts: TrayFacts, at_ms: float) -> Array:
    """Return what each candidate weighs when its plants limp, shape (COUNT,). [g]."""
    return (facts.limp_g or 0.0) + members["limp"] + grown_of(members, facts.clock, at_ms)


_SURE_FULL = {"full": 0.9, "brim": 0.6}
_FULL_SIGMA_G, _SHORT_OF_FULL_G = 25.0, 400.0


def _chance_full(missing_g: Array, sure: float) -> Array:
    """Return how likely a tray is called full when it misses some grams.

    Mostly it misses nothing, to the error of draining; but a medium that draws slowly may still miss a good deal
    when the rest is poured off.
    """
    drained = sure * np.exp(-0.5 * (missing_g / _FULL_SIGMA_G) ** 2) / (_FULL_SIGMA_G * np.sqrt(2 * np.pi))
    short = (1 - sure) / _SHORT_OF_FULL_G * (missing_g > -_FULL_SIGMA_G) * (missing_g < _SHORT_OF_FULL_G)
    return np.asarray(drained + short)


def candidates_of(facts: TrayFacts, now_ms: int) -> Candidates:
    """Return the candidates of a weighed tray, moved by every mark up to now."""
    span_g = (facts.full_g or 0.0) - (facts.limp_g or 0.0)
    limp_sigma = (0.055 if facts.limp_is_measured else 0.09) * span_g
    members = Candidates(
        {
            "yield": np.log(facts.yield_g.usual) + (facts.yield_sigma or _yield_sigma(facts.yield_g)) * normals(0),
            "pace": (facts.days_sigma or _DAYS_SIGMA) * normals(1),
            "full": -12.0 + 15.0 * normals(2),
            "limp": limp_sigma * normals(3),
            "extra": 0.0 * normals(4),
        }
    )
    last_ms = facts.clock.sown_at.timestamp() * 1000
    for number, mark in enumerate(facts.marks):
        if mark.at_ms > now_ms:
            break
        days = max((mark.at_ms - last_ms) / 86_400_000, 0.0)
        members.values["extra"] = members["extra"] + 6.0 * days**0.5 * normals(8 + number)
        if mark.what == "dry":
            members.measured(_limp(members, facts, mark.at_ms), mark.grams, 0.05 * span_g, noise=24 + number)
        else:
            full = _full(members, facts, mark.at_ms)
            members.likely(full, _chance_full(full - mark.grams, _SURE_FULL[mark.what]))
        last_ms = mark.at_ms
    return members


def rate_of(rests: Sequence[Rest], facts: TrayFacts, air: Air, members: Candidates, now_ms: int) -> DryingRate:
    """Return a tray's drying rate over the recent past, the usual one where it has hardly stood open."""
    if facts.uncovered_ms is None:
        return usual_rate(facts.scale)

    def lit_at(at_ms: Array) -> NDArray[np.bool_]:
        return air.lit_at(at_ms) & (at_ms >= (facts.lit_ms if facts.lit_ms is not None else np.inf))

    full_off, limp_off = float(np.median(members["full"])), float(np.median(members["limp"]))
    grown_g = float(np.exp(np.median(members["yield"])))
    pace = float(np.exp(np.median(members["pace"])))
    extra = float(np.median(members["extra"]))

    def slowed_at(at_ms: Array, weight_g: Array) -> Array:
        plants = np.maximum(grown_g * grown_share(facts.clock.share(at_ms) * pace) + extra, 0.0)
        full, limp = (facts.full_g or 0.0) + full_off + plants, (facts.limp_g or 0.0) + limp_off + plants
        left = fraction_left(weight_g, full, limp, facts.wilting)
        return stress_coefficient(1 - left, 1.0, 1 - facts.refill)

    return drying_rate(
        rests,
        now_ms,
        lit_at=lit_at,
        deficit_at=air.deficit_at,
        cover_at=lambda at_ms: cover_share(facts.clock.share(at_ms)),
        slowed_at=slowed_at,
        since_ms=facts.uncovered_ms,
        prior=usual_rate(facts.scale),
    )


def by_weight(cell: LoadCell, facts: TrayFacts, air: Air, now_ms: int, *, trays: int = 1) -> TrayWater | None:
    """Return the water of a tray by the scale under it; None before it has rested, or where it was never set up.

    Args:
        cell: The load cell's state.
        facts: The tray.
        air: Its light and air.
        now_ms: The present. [ms since 1970 UTC]
        trays: How many trays stand on the cell side by side; the answer is the average tray's then.
    """
    level = cell.level_g
    if level is None or facts.full_g is None or facts.limp_g is None:
        return None
    members = candidates_of(facts, now_ms)
    _felt_beside(members, facts, cell, now_ms, trays)
    rests = [Rest(rest.at_ms, rest.grams / trays, rest.readings, rest.run) for rest in cell.rests]
    rate = rate_of(rests, facts, air, members, now_ms)
    full, limp = _full(members, facts, cell.last_ms), _limp(members, facts, cell.last_ms)
    span = np.maximum(full - limp, 50.0)
    deficit = full - level / trays
    if trays > 1:  # the average is known, each tray differs from it
        deficit = deficit * np.exp(0.08 * normals(50)) + 0.06 * span * normals(51)
    known = Known.WEIGHED if trays == 1 else Known.SHELF
    return judged(known, deficit, span, rate, facts, air, members, cell.last_ms, now_ms)


def _felt_beside(members: Candidates, facts: TrayFacts, cell: LoadCell, now_ms: int, trays: int) -> None:
    """Move the candidates by how the tray on the scale felt in the hand."""
    for lift in facts.lifts:
        weight = _level_at(cell, lift.at_ms) if lift.at_ms <= now_ms else None
        if weight is not None and lift.feel in BANDS:
            full, limp = _full(members, facts, lift.at_ms), _limp(members, facts, lift.at_ms)
            left = fraction_left(weight / trays, full, limp, facts.wilting)
            members.felt(left, *BANDS[lift.feel], _HAND_BESIDE_SCALE)


def _level_at(cell: LoadCell, at_ms: int) -> float | None:
    """Return the weight at rest nearest to an instant, within two hours; None: none was. [g]."""
    near = [(abs(rest.at_ms - at_ms), rest.grams) for rest in cell.rests if abs(rest.at_ms - at_ms) <= 2 * HOUR_MS]
    return min(near)[1] if near else None


def by_sister(cell: LoadCell, facts: TrayFacts, air: Air, now_ms: int, *, lifts: Sequence[Lift]) -> TrayWater | None:
    """Return the water of trays that follow a sister on a scale, corrected by how they felt beside it.

    Args:
        cell: The sister's load cell.
        facts: The sister.
        air: Their light and air.
        now_ms: The present. [ms since 1970 UTC]
        lifts: How these trays themselves felt, oldest first.
    """
    level = cell.level_g
    if level is None or facts.full_g is None or facts.limp_g is None:
        return None
    members = candidates_of(facts, now_ms)
    rate = rate_of(list(cell.rests), facts, air, members, now_ms)
    other = Candidates({"faster": 0.11 * normals(50), "off": 0.06 * normals(51)})

    def left_at(weight_g: float, at_ms: float) -> Array:
        full, limp = _full(members, facts, at_ms), _limp(members, facts, at_ms)
        sister = fraction_left(weight_g, full, limp, facts.wilting)
        return 1 - (1 - sister) * np.exp(other["faster"]) + other["off"]

    for lift in lifts:
        weight = _level_at(cell, lift.at_ms) if lift.at_ms <= now_ms else None
        if weight is not None and lift.feel in BANDS:
            other.felt(left_at(weight, lift.at_ms), *BANDS[lift.feel], HAND_BLUR)
    full, limp = _full(members, facts, cell.last_ms), _limp(members, facts, cell.last_ms)
    span = np.maximum(full - limp, 50.0)
    deficit = (1 - left_at(level, cell.last_ms)) / (1 - facts.wilting) * span
    return judged(Known.SISTER, deficit, span, rate, facts, air, members, cell.last_ms, now_ms)
