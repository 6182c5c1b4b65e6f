"""The colours of our pictures, by day and by night; a picture is drawn once and coloured afterwards; pure.

A drawing carries stand-ins, one a role; `coloured` puts in their place the colours of a theme, or the names of the
page's own colours, which follow the device's setting. No colour is ever the only thing that tells two things apart.
"""

from __future__ import annotations

import re
from typing import Literal

Theme = Literal["day", "night", "page"]

ROLES: dict[str, tuple[str, str]] = {
    "ink": ("#1d1822", "#f3ece0"),
    "soft": ("#544b5c", "#c3b9ca"),
    "rule": ("#b9afa2", "#5d5366"),
    "band": ("#2f7f86", "#6fc0c4"),
    "grey": ("#8b8a86", "#8d8c92"),
    "dark": ("#5d5366", "#000000"),
    "soak": ("#c8d5da", "#33454f"),
    "germination": ("#cdc6b3", "#45402f"),
    "blackout": ("#a7a1b0", "#3b3550"),
    "light": ("#f2e3b0", "#54491f"),
    "harvest": ("#cfe0c3", "#2f4a2c"),
    "overgrown": ("#e3c9bd", "#553529"),
}
"""By role, as (day, night). Ours; measured for contrast against the page's paper in the tests."""
_PLACE = {role: f"#0b0c{place:02x}" for place, role in enumerate(ROLES, start=1)}
_ROLE = {stand_in: role for role, stand_in in _PLACE.items()}
_STAND_IN = re.compile("|".join(_ROLE))

PHASE_ROLES = {
    "soak": "soak",
    "germination": "germination",
    "blackout": "blackout",
    "light": "light",
    "harvest window": "harvest",
    "overgrown": "overgrown",
}


def stand_in(role: str) -> str:
    """Return what is drawn with where a role's colour is to be."""
    return _PLACE[role]


def coloured(svg: str, theme: Theme) -> str:
    """Return a drawing in the colours of a theme; ``page``: in those that the page's style sheet names.

    Args:
        svg: A drawing with stand-ins.
        theme: Day, night, or the page's own.
    """

    def colour(match: re.Match[str]) -> str:
        role = _ROLE[match.group()]
        return f"var(--pic-{role})" if theme == "page" else ROLES[role][theme == "night"]

    return _STAND_IN.sub(colour, svg)
