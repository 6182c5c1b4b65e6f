"""How a payload's unit becomes the stored unit of its quantity: stored = factor * value + offset; pure.

Source: [SP811] appendix B for the factors; [RFC8428] section 12.1 for SenML's symbols.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

from monitor.amounts import G_PER_LB, G_PER_OZ
from monitor.errors import UnitError
from monitor.readings import STORED_UNIT, Quantity

_FOOTCANDLE_LX = 10.763910416709722  # 1 lm per square foot; exact from 1 ft = 0.3048 m

_KNOWN: dict[Quantity, dict[str, tuple[float, float]]] = {
    Quantity.TEMPERATURE: {
        "Cel": (1.0, 0.0),
        "degC": (1.0, 0.0),
        "C": (1.0, 0.0),
        "°C": (1.0, 0.0),
        "K": (1.0, -273.15),
        "degF": (5 / 9, -160 / 9),
        "F": (5 / 9, -160 / 9),
        "°F": (5 / 9, -160 / 9),
    },
    Quantity.HUMIDITY: {"%RH": (1.0, 0.0), "%": (1.0, 0.0), "/": (100.0, 0.0), "1": (100.0, 0.0)},
    Quantity.LIGHT: {
        "lx": (1.0, 0.0),
        "lux": (1.0, 0.0),
        "klx": (1000.0, 0.0),
        "fc": (_FOOTCANDLE_LX, 0.0),
    },
    Quantity.PPFD: {
        "umol m-2 s-1": (1.0, 0.0),
        "umol/m2/s": (1.0, 0.0),
        "µmol/m²/s": (1.0, 0.0),
        "mol/m2/s": (1e6, 0.0),
    },
    Quantity.WEIGHT: {
        "g": (1.0, 0.0),
        "kg": (1000.0, 0.0),
        "mg": (0.001, 0.0),
        "oz": (G_PER_OZ, 0.0),
        "lb": (G_PER_LB, 0.0),
    },
    Quantity.BATTERY: {"%": (1.0, 0.0), "%EL": (1.0, 0.0), "/": (100.0, 0.0)},
}


_LETTERS = {ord("\N{MINUS SIGN}"): "-", ord("\N{GREEK SMALL LETTER MU}"): "u"}


def _plain(unit: str) -> str:
    """Return a unit as it is compared when it is not written as we write it: ``℃``, ``DEGC``, ``μmol m⁻² s⁻¹``."""
    return unicodedata.normalize("NFKC", unit).strip().casefold().translate(_LETTERS)


_BY_PLAIN = {
    # "Mg" is no milligram: it is refused rather than read as one
    quantity: {_plain(name): pair for name, pair in known.items() if name != "mg"}
    for quantity, known in _KNOWN.items()
}


@lru_cache(maxsize=1024)
def factor_and_offset(unit: str | None, quantity: Quantity) -> tuple[float, float]:
    """Return (factor, offset) with stored = factor * value + offset; no unit means the stored one.

    Raises:
        UnitError: The unit is not one of this quantity's.
    """
    if unit is None:
        return 1.0, 0.0
    known = _KNOWN[quantity]
    found = known.get(unit) or _BY_PLAIN[quantity].get(_plain(unit))
    if found is None:
        raise UnitError(
            f"unit {unit!r} cannot become {STORED_UNIT[quantity]} for a {quantity.value}; known are: {', '.join(known)}"
        )
    return found
