"""How amounts are said to a grower and read from one, in the farm's own units.

Source of the factors: [SP811] appendix B, exact from 1 in = 25.4 mm and 1 lb = 0.45359237 kg.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.errors import RefusedError

Units = Literal["metric", "US"]

ML_PER_CUP = 236.5882365
ML_PER_FL_OZ = 29.5735295625
ML_PER_QUART = 946.352946
G_PER_OZ = 28.349523125
G_PER_LB = 453.59237

_VOLUMES = {
    "ml": 1.0, "cl": 10.0, "l": 1000.0, "litre": 1000.0, "litres": 1000.0, "liter": 1000.0, "liters": 1000.0,
    "cup": ML_PER_CUP, "cups": ML_PER_CUP, "floz": ML_PER_FL_OZ, "qt": ML_PER_QUART, "quart": ML_PER_QUART,
    "quarts": ML_PER_QUART,
}  # fmt: skip
_MASSES = {"g": 1.0, "gram": 1.0, "grams": 1.0, "kg": 1000.0, "oz": G_PER_OZ, "lb": G_PER_LB, "lbs": G_PER_LB}
_AMOUNT = re.compile(r"^\s*([0-9]+(?:[.,][0-9]+)?)\s*([a-z ]*)\s*$")


def _read(text: str, known: dict[str, float], plain: float, example: str) -> float:
    """Return an amount in the base unit; a bare number is counted in ``plain``."""
    match = _AMOUNT.match(text.casefold())
    unit = match.group(2).replace(" ", "") if match else ""
    if match is None or (unit and unit not in known):
        raise RefusedError(f"{text!r} is no amount; give e.g. {example}")
    return float(match.group(1).replace(",", ".")) * (known[unit] if unit else plain)


def read_ml(text: str, units: Units) -> float:
    """Return a volume as a person writes it in ml; a bare number is ml, or cups on a US farm.

    Raises:
        RefusedError: It cannot be read.
    """
    return _read(text, _VOLUMES, 1.0 if units == "metric" else ML_PER_CUP, "250, '250 ml' or '1.5 cups'")


def read_g(text: str, units: Units) -> float:
    """Return a mass as a person writes it in g; a bare number is g, or oz on a US farm.

    Raises:
        RefusedError: It cannot be read.
    """
    return _read(text, _MASSES, 1.0 if units == "metric" else G_PER_OZ, "180, '180 g' or '6.5 oz'")


_TEMPERATURE = re.compile(r"^\s*(-?[0-9]+(?:[.,][0-9]+)?)\s*°?\s*([cf]?)\s*$")


def read_temp(text: str, units: Units) -> float:
    """Return a temperature as a person writes it in degC; a bare number is °C, or °F on a US farm.

    Raises:
        RefusedError: It cannot be read.
    """
    match = _TEMPERATURE.match(text.casefold())
    if match is None:
        raise RefusedError(f"{text!r} is no temperature; give e.g. 3.4, '3.4 C' or '38 F'")
    number = float(match.group(1).replace(",", "."))
    is_fahrenheit = match.group(2) == "f" or (not match.group(2) and units == "US")
    return (number - 32) / 1.8 if is_fahrenheit else number


def _plain(value: float, digits: int) -> str:
    """Return a number without trailing noughts."""
    return f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"


def say_ml(ml: float, units: Units) -> str:
    """Return a volume in words: ml to the nearest 10 (litres from one on), or cups to the nearest quarter."""
    if units == "US":
        quarters = max(1, round(ml / ML_PER_CUP * 4)) if ml > 0 else 0
        whole, rest = divmod(quarters, 4)
        parts = {0: "", 1: "1/4", 2: "1/2", 3: "3/4"}[rest]
        number = " ".join(part for part in (str(whole) if whole or not parts else "", parts) if part)
        return f"{number} cup{'s' if quarters > 4 else ''}"
    rounded = round(ml / 10) * 10
    return f"{_plain(rounded / 1000, 2)} l" if rounded >= 1000 else f"{rounded} ml"


def say_g(grams: float, units: Units) -> str:
    """Return a mass in words: g (kg from one on), or oz to a tenth (lb from one on)."""
    if units == "US":
        ounces = grams / G_PER_OZ
        return f"{_plain(grams / G_PER_LB, 2)} lb" if ounces >= 16 else f"{_plain(ounces, 1)} oz"
    return f"{_plain(grams / 1000, 2)} kg" if grams >= 1000 else f"{_plain(grams, 1 if grams < 20 else 0)} g"


def say_temp(celsius: float, units: Units) -> str:
    """Return a temperature in words, to half a degree Celsius or a whole degree Fahrenheit."""
    if units == "US":
        return f"{_plain(celsius * 1.8 + 32, 0)} °F"
    return f"{_plain(round(celsius * 2) / 2, 1)} °C"


def say_cm(centimetres: float, units: Units) -> str:
    """Return a height in words, in cm, or inches to the nearest half."""
    if units == "US":
        return f"{_plain(round(centimetres / 2.54 * 2) / 2, 1)} in"
    return f"{_plain(centimetres, 1)} cm"


def say_day(day: date) -> str:
    """Return a day with its weekday, e.g. ``Wed 25 Nov``."""
    return f"{day:%a} {day.day} {day:%b}"


def say_time(instant: datetime, zone: ZoneInfo) -> str:
    """Return an instant as local weekday, date and time, e.g. ``Wed 25 Nov 07:30``."""
    local = instant.astimezone(zone)
    return f"{say_day(local.date())} {local:%H:%M}"


def say_trays(count: int) -> str:
    """Return a number of trays in words."""
    return f"{count} tray{'' if count == 1 else 's'}"


def say_list(words: list[str]) -> str:
    """Return words as a list a person would say: a, b and c."""
    if len(words) <= 1:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
