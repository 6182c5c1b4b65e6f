"""How much water a tray has left that no scale knows: from its pours, its air, and how it felt in the hand; pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.availability import stress_coefficient
from monitor.candidates import Candidates, normals
from monitor.drying import DryingRate, strength, usual_rate
from monitor.growth import cover_share, grown_share
from monitor.trayfacts import BANDS, HAND_BLUR, Air, Known, Lift, Pour, TrayFacts, Weighing
from monitor.waterahead import COVERED_G_H, HOUR_MS, TrayWater, judged

Array = NDArray[np.float64]
_HELD_G = 1100.0  # of a nominal tray, where no scale tells; [COIR-EVANS] 1,380 to 1,510 g in a well filled one
_UNBELIEVABLE, _POURED_OVER = 0.1, 0.15
_LIMP_OF_HELD = 0.35  # common practice, no source: plants limp with about a third of the held water left


def by_hand(facts: TrayFacts, air: Air, now_ms: int) -> TrayWater:
    """Return the water of a tray that no scale knows, from its pours, its air and how it felt in the hand.

    The candidates dry hour by hour from sowing on; each pour that was written down and each lift moves them, and the
    lifts teach how fast this tray dries. A kitchen scale tells once a weighing was marked full: what a later one
    lacks, and what the plants have gained since, is missing.
    """
    usual = usual_rate(facts.scale)
    held = facts.held_g or _HELD_G * facts.scale
    members = Candidates(
        {
            "span": held * (1 - _LIMP_OF_HELD) * np.exp(0.15 * normals(52)),
            "faster": 0.35 * normals(53),
            "deficit": np.maximum(60 + 40 * normals(54), 0) * facts.scale,
        }
    )
    sown_ms = facts.clock.sown_at.timestamp() * 1000
    begin_ms = facts.uncovered_ms if facts.uncovered_ms is not None else now_ms
    members.values["deficit"] = members["deficit"] + max(begin_ms - sown_ms, 0) / HOUR_MS * COVERED_G_H * facts.scale
    at_ms = float(sown_ms if facts.uncovered_ms is None else begin_ms)
    deeds: list[Pour | Lift | Weighing] = sorted(
        (*facts.pours, *facts.lifts, *facts.weighings), key=lambda deed: (deed.at_ms, isinstance(deed, Pour))
    )
    for deed in deeds:
        if deed.at_ms > now_ms:
            break
        if deed.at_ms > at_ms and facts.uncovered_ms is not None:
            _dry_on(members, facts, air, usual, at_ms, deed.at_ms)
            at_ms = float(deed.at_ms)
        if isinstance(deed, Pour):
            grams = deed.grams if deed.grams is not None else facts.usual_pour_g
            taken = grams * np.exp(0.1 * normals(deed.at_ms // 60_000))
            members.values["deficit"] = np.maximum(members["deficit"] - taken, -0.3 * members["span"])
        elif isinstance(deed, Weighing):
            missing = _missing_by_kitchen_scale(facts, deed)
            if missing is not None:
                members.measured(members["deficit"], *missing, noise=deed.at_ms // 60_000)
        elif deed.feel in BANDS:
            _felt(members, facts, deed)
    if facts.uncovered_ms is not None:
        _dry_on(members, facts, air, usual, at_ms, now_ms)
    faster = float(np.exp(np.median(members["faster"])))
    rate = DryingRate(
        lit_g_h=usual.lit_g_h * faster,
        dark_g_h=usual.dark_g_h * faster,
        hours=0.0,
        spread=float(members["faster"].std()),
    )
    span = np.maximum(members["span"], 50.0)
    return judged(Known.HAND, members["deficit"], span, rate, facts, air, None, now_ms, now_ms)


def _felt(members: Candidates, facts: TrayFacts, lift: Lift) -> None:
    """Move the candidates by a lift; one much heavier than they can explain was poured without a word."""
    left = facts.wilting + (1 - facts.wilting) * (1 - members["deficit"] / members["span"])
    low, high = BANDS[lift.feel]
    believable = float(((left > low - HAND_BLUR) & (left < high + HAND_BLUR)).mean())
    if believable < _UNBELIEVABLE and float(np.median(left)) < low:
        now = min(low + _POURED_OVER, 1.0) + HAND_BLUR * normals(lift.at_ms // 60_000)
        members.values["deficit"] = (1 - now) / (1 - facts.wilting) * members["span"]
    else:
        members.felt(left, low, high, HAND_BLUR)


def _missing_by_kitchen_scale(facts: TrayFacts, weighing: Weighing) -> tuple[float, float] | None:
    """Return (what a tray could take, its standard deviation) by a weighing and the last one marked full. [g]."""
    full = [mark for mark in facts.marks if mark.what == "full" and mark.at_ms <= weighing.at_ms]
    if not full:
        return None
    grown = grown_share(facts.clock.share(np.array([full[-1].at_ms, weighing.at_ms], dtype=float)))
    gained = float(grown[1] - grown[0]) * facts.yield_g.usual
    return full[-1].grams - weighing.grams + gained, 25.0 + 0.2 * gained


def _dry_on(members: Candidates, facts: TrayFacts, air: Air, rate: DryingRate, begin_ms: float, end_ms: float) -> None:
    """Let the candidates dry from one instant to another, hour by hour."""
    hours = max(int(np.ceil((end_ms - begin_ms) / HOUR_MS)), 1)
    edges = np.linspace(begin_ms, end_ms, hours + 1)
    middle = (edges[:-1] + edges[1:]) / 2
    lit = air.lit_at(middle) & (middle >= (facts.lit_ms if facts.lit_ms is not None else np.inf))
    cover = cover_share(facts.clock.share(middle))
    by_hour = np.where(lit, rate.lit_g_h, rate.dark_g_h) * strength(cover, air.deficit_at(middle), lit)
    gain = np.diff(grown_share(facts.clock.share(edges))) * facts.yield_g.usual
    speed = np.exp(members["faster"])
    deficit = members["deficit"]
    total = np.maximum(members["span"], 50.0) / (1 - facts.wilting)
    step_h = (end_ms - begin_ms) / hours / HOUR_MS
    for place in range(hours):
        slowed = stress_coefficient(np.maximum(deficit, 0.0), total, 1 - facts.refill)
        deficit = deficit + by_hour[place] * step_h * speed * slowed + gain[place]
    members.values["deficit"] = deficit
