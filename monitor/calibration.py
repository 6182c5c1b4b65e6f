"""Fixed points that thermometers and humidity sensors are checked at, and what follows for their readings; pure.

A calibration is a ledger entry with its day: it holds from then on, and readings keep that of their day. Beside the
corrected value the raw one is stored, as a series of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from monitor.errors import RefusedError
from monitor.ledger import Entry, EntryKind, effective
from monitor.readings import Quantity, from_ms

RAW = ".raw"
"""What the name of a raw series ends in."""

SALTS: Mapping[str, tuple[float, float, float]] = {
    "LiCl": (11.31, 11.30, 11.28),
    "MgCl2": (33.07, 32.78, 32.44),
    "Mg(NO3)2": (54.38, 52.89, 51.40),
    "NaBr": (59.14, 57.57, 56.03),
    "NaCl": (75.47, 75.29, 75.09),
    "KCl": (85.11, 84.34, 83.62),
    "K2SO4": (97.59, 97.30, 97.00),
}
"""Humidity over a saturated solution at 20, 25 and 30 degC. Source: [GREENSPAN]. [%RH]"""
_SALT_TEMPS_C = (20.0, 25.0, 30.0)
_SPREAD_PCT = 20.0

_MOST: Mapping[Quantity, float] = {Quantity.TEMPERATURE: 3.0, Quantity.HUMIDITY: 15.0}
"""A sensor that is further off than this is to be replaced, not corrected. Ours. [stored unit]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What is made of a sensor's readings from a day on.

    Attributes:
        sensor: The sensor's id.
        since: From when on it holds.
        factor: By what a reading is multiplied. [-]
        offset: What is added then. [stored unit]
    """

    sensor: str
    since: datetime
    factor: float
    offset: float

    def corrected(self, shown: float) -> float:
        """Return what a better instrument would have shown."""
        return self.factor * shown + self.offset


def salt_humidity(salt: str, temp_c: float) -> float:
    """Return the humidity over a saturated solution. [%RH].

    Raises:
        RefusedError: The salt is not known, or the temperature lies outside 20 to 30 degC.

    Source:
        [GREENSPAN], straight lines between the printed temperatures.
    """
    known = {name.casefold(): values for name, values in SALTS.items()}
    if salt.casefold() not in known:
        raise RefusedError(f"{salt!r} is no salt of the table; there are: {', '.join(SALTS)}")
    if not _SALT_TEMPS_C[0] <= temp_c <= _SALT_TEMPS_C[-1]:
        raise RefusedError(f"the table of salts holds from 20 to 30 °C, and it was {temp_c:g} °C; wait for such a room")
    return float(np.interp(temp_c, _SALT_TEMPS_C, known[salt.casefold()]))


def calibration_data(sensor: str, quantity: Quantity, points: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Return what the ledger keeps of a check at one or two fixed points.

    Args:
        sensor: The sensor's id.
        quantity: Temperature or humidity.
        points: (what it should show, what it showed), one or two of them. [stored unit]

    Raises:
        RefusedError: It cannot be; says why and what to do.
    """
    most = _MOST.get(quantity)
    if most is None:
        raise RefusedError(f"{sensor} measures {quantity.value}; only thermometers and humidity sensors are checked so")
    for true, shown in points:
        if abs(shown - true) > most:
            raise RefusedError(
                f"{sensor} shows {shown:g} where {true:.2f} is right: so far off it is broken, wet, or not settled; "
                "wait an hour, dry it, or take another sensor"
            )
    if len(points) == 1:
        true, shown = points[0]
        factor, offset = 1.0, true - shown
    else:
        (low_true, low_shown), (high_true, high_shown) = sorted(points)
        if high_true - low_true < _SPREAD_PCT:
            raise RefusedError(
                f"the two points lie {high_true - low_true:.0f} apart; take two at least {_SPREAD_PCT:.0f} apart"
            )
        factor = (high_true - low_true) / (high_shown - low_shown) if high_shown != low_shown else 0.0
        if not 0.7 <= factor <= 1.4:
            raise RefusedError(
                f"{sensor} shows {low_shown:g} and {high_shown:g} at the two points; check that it was the right jar"
            )
        offset = low_true - factor * low_shown
    return {
        "sensor": sensor,
        "what": "sensor",
        "factor": round(factor, 6),
        "offset": round(offset, 4),
        "points": [[round(true, 3), shown] for true, shown in points],
    }


def calibrations_of(entries: Iterable[Entry]) -> dict[str, tuple[Calibration, ...]]:
    """Return the calibrations of every sensor, oldest first."""
    found: dict[str, list[Calibration]] = {}
    for entry in effective(entries):
        if entry.kind is EntryKind.CALIBRATED and entry.data.get("what") == "sensor":
            name = str(entry.data["sensor"])
            one = Calibration(
                sensor=name,
                since=entry.at,
                factor=float(entry.data["factor"]),
                offset=float(entry.data["offset"]),
            )
            found.setdefault(name, []).append(one)
    return {name: tuple(listed) for name, listed in found.items()}


def calibration_at(listed: Sequence[Calibration], at: datetime) -> Calibration | None:
    """Return the calibration that holds at an instant, or None."""
    return next((one for one in reversed(listed) if one.since <= at), None)


def as_of_its_day(calibrations: Mapping[str, Sequence[Calibration]], sensor: str, value: float, at_ms: int) -> float:
    """Return what a better instrument would have shown, by the calibration of a reading's day; the value if none.

    Args:
        calibrations: Those of every sensor, oldest first.
        sensor: The sensor's id.
        value: What it showed. [stored unit]
        at_ms: When. [ms since 1970 UTC]
    """
    listed = calibrations.get(sensor)
    held = calibration_at(listed, from_ms(at_ms)) if listed else None
    return value if held is None else held.corrected(value)
