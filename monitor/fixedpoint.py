"""Values as whole numbers of decimal steps, so that they pack small, and the same bits come back; pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_PLACES = 6
_LARGEST = float(2**53)
_SAMPLE = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedPoint:
    """Values as steps of one power of ten; those that such steps cannot give back are marked.

    Attributes:
        places: Decimal places, 0 to MOST_PLACES.
        steps: Shape (n,), int64; 0 where a value does not fit. [10**-places]
        fits: Shape (n,), bool: ``values_of`` gives this value back to the last bit.
    """

    places: int
    steps: NDArray[np.int64]
    fits: NDArray[np.bool_]


def values_of(steps: NDArray[np.int64], places: int) -> NDArray[np.float64]:
    """Return whole steps as values.

    Division by a power of ten up to 10**22 rounds correctly, so a decimal of up to 15 digits comes back as the
    double that its text would be read as.
    """
    return np.asarray(steps / 10.0**places, dtype=np.float64)


def _try(values: NDArray[np.float64], places: int) -> FixedPoint:
    """Return the values in steps of so many places."""
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(values * 10.0**places)
        near = np.abs(scaled) < _LARGEST
        steps = np.where(near, scaled, 0.0).astype(np.int64)
    # by bits: -0.0 equals 0.0 as a number, and would come back without its sign
    fits = near & (values_of(steps, places).view(np.int64) == values.view(np.int64))
    steps[~fits] = 0
    return FixedPoint(places=places, steps=steps, fits=fits)


def as_fixed(values: NDArray[np.float64], *, may_miss: float = 0.0) -> FixedPoint:
    """Return values in the fewest places that hold them, else in those that hold the most.

    Args:
        values: Shape (n,), float64; NaN and infinities never fit.
        may_miss: Share of values that need not fit, where that saves places. [0-1]
    """
    values = np.ascontiguousarray(values, dtype=np.float64)
    some = values[:: max(1, len(values) // _SAMPLE)]
    shares = [float(_try(some, places).fits.mean()) if len(some) else 1.0 for places in range(MOST_PLACES + 1)]
    best: FixedPoint | None = None
    for places, share in enumerate(shares):
        if share < max(shares) - may_miss:
            continue  # a glance at some of them spares most of the work
        found = _try(values, places)
        if len(values) - found.fits.sum() <= may_miss * len(values):
            return found
        if best is None or found.fits.sum() > best.fits.sum():
            best = found
    assert best is not None
    return best
