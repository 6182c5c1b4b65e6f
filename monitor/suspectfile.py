"""Where the look-back's model is read from: suspects.toml, or a farm's own copy of it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from monitor.errors import RefusedError
from monitor.outcomes import SIGNS
from monitor.suspects import Cause, Model, SharedCause

OWN_FILE = "suspects.toml"
"""A file of this name beside farm.toml stands for the shipped one."""


def model_of(text: str, file: str) -> Model:
    """Return the model that a file holds.

    Raises:
        RefusedError: Something is missing, or is no number or sign; says what and where.
    """
    try:
        data = tomllib.loads(text)
        head, test, none = data["model"], data["lot_test"], data["none"]
        model = Model(
            **{key: float(head[key]) for key in ("none", "two", "other_crop", "noted", "by_chance", "even_odds")},
            causes=tuple(Cause(key=key, **_cause(each)) for key, each in data["cause"].items()),
            shared=tuple(SharedCause(key=key, **_cause(each)) for key, each in data["shared"].items()),
            none_name=str(none["name"]),
            none_signs=_signs(none["signs"]),
            none_tell=str(none["tell"]),
            test_under_label=float(test["under_label"]),
            test_as_label=float(test["as_label"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as exc:
        raise RefusedError(f"{file}: {exc}; compare it with the shipped file (traywarden lookback --model)") from exc
    return model


def _cause(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return a cause's table with its numbers as numbers."""
    words = ("name", "unit", "tell")
    plain = {key: str(value) if key in words else float(value) for key, value in table.items() if key != "signs"}
    return {**plain, "signs": _signs(table["signs"])}


def _signs(table: Mapping[str, Any]) -> dict[str, float]:
    """Return how often signs show.

    Raises:
        ValueError: A sign is not known, or a share lies outside 0 to 1.
    """
    found = {sign: float(share) for sign, share in table.items()}
    wrong = [sign for sign, share in found.items() if sign not in SIGNS or not 0 <= share < 1]
    if wrong:
        raise ValueError(f"signs {', '.join(wrong)}: known are {', '.join(SIGNS)}, each from 0 to under 1")
    return found


def shipped_text() -> str:
    """Return the shipped file."""
    return (files("monitor") / "suspects.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def shipped_model() -> Model:
    """Return the shipped model."""
    return model_of(shipped_text(), "suspects.toml")


def load_model(folder: Path) -> Model:
    """Return the farm's own model where one lies in the folder of farm.toml, else the shipped one.

    Raises:
        RefusedError: The farm's file cannot be used.
    """
    own = folder / OWN_FILE
    if not own.is_file():
        return shipped_model()
    return model_of(own.read_text(encoding="utf-8"), str(own))
