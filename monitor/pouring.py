"""Whether a tray is to be watered at this round, and how much: from its water, the next round and the cut; pure."""

from __future__ import annotations

from dataclasses import replace

from monitor.waterahead import TrayWater

DUE_AT_CHANCE = 0.6
"""A tray is asked for where it comes to its refill point before the next round with at least this chance."""
LEAST_POUR_G = 40.0
"""Less is not worth the walk."""
NO_TOP_UP_H = 12.0
"""Trays to be cut within so many hours get only what carries them there."""


def is_due(water: TrayWater, next_round_h: float) -> bool:
    """Tell whether a tray is to be watered now, the next round being some hours off.

    A tray with standing water, or with too little missing, is never asked for, however many days have passed.
    """
    return water.deficit_g >= LEAST_POUR_G and water.chance_refill_within(next_round_h) >= DUE_AT_CHANCE


def until_cut(water: TrayWater, cut_h: float) -> TrayWater:
    """Return the water of a tray that is cut in some hours: its target is what carries it there, never more."""
    if cut_h > NO_TOP_UP_H:
        return water
    by_hour = max(water.rate.lit_g_h, water.rate.dark_g_h)
    span = max(water.deficit_g, 1.0) / max(1.0 - min(water.left, 0.99), 0.01)
    need = 0.0 if water.refill_h >= cut_h else by_hour * (cut_h - water.refill_h) / span
    return replace(water, target=min(1.0, max(min(water.left, 1.0) + need, 0.0)))
