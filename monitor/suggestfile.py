"""A crop's profile file with figures of the farm's own put in; what would make it refuse itself is left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomlkit

from monitor.errors import ConfigError
from monitor.profilefile import parse_profile
from monitor.profiles import PhaseKind
from monitor.suggest import Proposed

_TABLES = {"refill_fraction": "water", "g_per_tray": "yield", "base_temp_c": "heat"}
_FIGURES = ("refill_fraction", "base_temp_c")


def suggested_text(text: str, proposed: Sequence[Proposed], file: str) -> tuple[str, tuple[Proposed, ...]]:
    """Return a profile's text with proposed figures in it, and those that could not be put in.

    Args:
        text: The profile as it is.
        proposed: What the farm's own batches propose.
        file: What it is called in error messages.
    """
    left_out = []
    for each in proposed:
        changed = _with(text, each)
        try:
            parse_profile(changed, file=file)
        except ConfigError:
            left_out.append(each)
        else:
            text = changed
    return text, tuple(left_out)


def _with(text: str, each: Proposed) -> str:
    """Return a profile's text with one figure put in; unchanged where it has no place for it."""
    document = tomlkit.parse(text)
    table = _table(document, each)
    if table is None:
        return text
    said = f"the farm's own {each.batches} good batches"
    if each.key in _FIGURES:
        table["value"] = each.usual
    else:
        for end, value in (("low", each.low), ("usual", each.usual), ("high", each.high)):
            if value is not None and (end != "usual" or "usual" in table):
                table[end] = int(value) if float(value).is_integer() else value
    table["source"] = said
    return tomlkit.dumps(document)


def _table(document: Any, each: Proposed) -> Any | None:
    """Return the table of a figure in a profile's document, or None where it has none."""
    if each.phase is None:
        return document.get(_TABLES[each.key], {}).get(each.key)
    kind = PhaseKind.HARVEST.value if each.phase is PhaseKind.HARVEST else each.phase.value
    phase = next((phase for phase in document.get("phase", []) if phase.get("kind") == kind), None)
    return None if phase is None else phase.get(each.key)
