"""How a scale under trays is set up: its zero and span, and what a tray weighs empty, dry and full; pure.

A set-up is a ledger entry with its day. Readings keep the set-up of their day; raw readings are what is stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.errors import RefusedError
from monitor.farm import Sensor
from monitor.ledger import Entry, EntryKind, effective

LIMP_OF_HELD = 0.35
"""Share of the held water that is left when plants limp. Common practice, no source."""
SPAN_WITHIN = 0.03
"""A known mass must read within so much of itself, or something is wrong with unit or wiring. Ours."""
LEAST_KNOWN_G = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleSetup:
    """One set-up of one scale.

    Attributes:
        sensor: The scale's sensor id.
        since: From when on it holds.
        zero_g: What it shows with nothing on it. [g]
        factor: Grams for each gram that it shows above its zero. [-]
        full_g: One tray, its bottom tray and medium, watered and drained, without seed and plants; None: not said. [g]
        limp_g: The same when plants limp, the plants' own weight taken off; None: not said. [g]
        limp_is_measured: It was weighed, not reckoned from the full and the dry weight.
        held_g: Water that the drained medium holds; None: not known. [g]
        has_seed: Full and limp weight were taken with the seed in.
        carries_g: What it can carry; None: not said. [g]
    """

    sensor: str
    since: datetime
    zero_g: float = 0.0
    factor: float = 1.0
    full_g: float | None = None
    limp_g: float | None = None
    limp_is_measured: bool = False
    held_g: float | None = None
    has_seed: bool = False
    carries_g: float | None = None

    def grams(self, shown_g: float) -> float:
        """Return what lies on the scale when it shows a number. [g]."""
        return (shown_g - self.zero_g) * self.factor


def reckoned_limp(full_g: float, dry_g: float) -> float:
    """Return the weight at which plants limp, reckoned from a full and a dry tray. Common practice, no source. [g]."""
    return dry_g + LIMP_OF_HELD * (full_g - dry_g)


def setup_data(
    *,
    sensor: str,
    zero_g: float,
    known_g: float,
    known_shown_g: float,
    tare_shown_g: float,
    dry_shown_g: float,
    full_shown_g: float,
    limp_shown_g: float | None,
    carries_g: float | None,
    load_g: float,
) -> dict[str, Any]:
    """Return what the ledger keeps of a set-up, from what the scale showed in turn; all as shown. [g].

    Args:
        sensor: The scale's sensor id.
        zero_g: Nothing on it.
        known_g: What a known mass really weighs.
        known_shown_g: That mass on it.
        tare_shown_g: An empty tray with its bottom tray.
        dry_shown_g: The same filled with dry medium.
        full_shown_g: Watered until it takes no more, and drained.
        limp_shown_g: A tray whose plants limp, the plants cut off and lifted away; None: never weighed.
        carries_g: What the scale can carry; None: not said.
        load_g: What it is to carry at most: the trays of a pile, full, with the weight on top.

    Raises:
        RefusedError: It cannot be; says why and what to do.
    """
    if known_g < LEAST_KNOWN_G:
        raise RefusedError(
            f"a known mass of {known_g:g} g is too light to check a scale for trays; take a full litre bottle "
            "(about 1,000 g of water and the bottle) weighed on a kitchen scale"
        )
    factor = known_g / (known_shown_g - zero_g) if known_shown_g != zero_g else 0.0
    if not 1 - 10 * SPAN_WITHIN <= factor <= 1 + 10 * SPAN_WITHIN:
        raise RefusedError(
            f"{sensor} shows {known_shown_g - zero_g:.0f} g for a mass of {known_g:.0f} g; that is no small error. "
            "Check the unit under [[sensor]] in farm.toml (kg or g?), that the cell bends freely, and that nothing "
            "touches the tray"
        )
    if carries_g is not None and load_g > carries_g:
        raise RefusedError(
            f"{sensor} carries {carries_g / 1000:.1f} kg, but trays and stack weight together make "
            f"{load_g / 1000:.1f} kg; put it where no pile stands, or take a stronger cell"
        )
    tare, dry, full = (factor * (shown - zero_g) for shown in (tare_shown_g, dry_shown_g, full_shown_g))
    if not 0 < tare < dry < full:
        raise RefusedError(
            f"empty {tare:.0f} g, with dry medium {dry:.0f} g, full {full:.0f} g: each must be heavier than the one "
            "before; put them on again in turn"
        )
    limp = None if limp_shown_g is None else factor * (limp_shown_g - zero_g)
    if limp is not None and not dry < limp < full:
        raise RefusedError(
            f"a tray that limps at {limp:.0f} g does not lie between dry ({dry:.0f} g) and full ({full:.0f} g); "
            "weigh it without its plants, in the same kind of tray"
        )
    return {
        "sensor": sensor,
        "what": "scale",
        "zero_g": round(zero_g, 2),
        "factor": round(factor, 6),
        "tare_g": round(tare, 1),
        "dry_g": round(dry, 1),
        "full_g": round(full, 1),
        "limp_g": None if limp is None else round(limp, 1),
        "carries_g": carries_g,
    }


def _of_entry(entry: Entry) -> ScaleSetup:
    """Return the set-up that an entry holds."""
    data = entry.data
    full, dry, limp = (data.get(key) for key in ("full_g", "dry_g", "limp_g"))
    reckoned = reckoned_limp(float(full), float(dry)) if full is not None and dry is not None else None
    return ScaleSetup(
        sensor=str(data["sensor"]),
        since=entry.at,
        zero_g=float(data.get("zero_g") or 0.0),
        factor=float(data.get("factor") or 1.0),
        full_g=None if full is None else float(full),
        limp_g=float(limp) if limp is not None else reckoned,
        limp_is_measured=limp is not None,
        held_g=None if full is None or dry is None else float(full) - float(dry),
        carries_g=data.get("carries_g"),
    )


def setups_of(entries: Iterable[Entry], sensors: Mapping[str, Sensor]) -> dict[str, tuple[ScaleSetup, ...]]:
    """Return the set-ups of every scale, oldest first; farm.toml's dry_g and full_g hold before the first entry."""
    found: dict[str, list[ScaleSetup]] = {}
    for sensor in sensors.values():
        if sensor.full_g is not None and sensor.dry_g is not None:
            by_file = ScaleSetup(
                sensor=sensor.id,
                since=datetime.fromisoformat("1970-01-01T00:00:00+00:00"),
                full_g=sensor.full_g,
                limp_g=sensor.dry_g,
                limp_is_measured=True,
                held_g=(sensor.full_g - sensor.dry_g) / (1 - LIMP_OF_HELD),
                has_seed=True,
                carries_g=sensor.carries_g,
            )
            found[sensor.id] = [by_file]
    for entry in effective(entries):
        if entry.kind is EntryKind.CALIBRATED and entry.data.get("what") == "scale":
            found.setdefault(str(entry.data["sensor"]), []).append(_of_entry(entry))
    return {sensor: tuple(setups) for sensor, setups in found.items()}


def setup_at(setups: Sequence[ScaleSetup], at: datetime) -> ScaleSetup | None:
    """Return the set-up that holds at an instant, or None."""
    return next((setup for setup in reversed(setups) if setup.since <= at), None)
