"""What stands on a shelf, and what Racks says of it, as values; pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.pages.figures import ShownFigure
from monitor.amounts import say_day
from monitor.phases import PhaseSpan, Standing
from monitor.profiles import Manner, PhaseKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """One band that trays are outside of now.

    Attributes:
        name: What it is called, e.g. ``too cold``.
        is_low: Under the band; else over it.
        says: What is measured and what is wanted.
    """

    name: str
    is_low: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayGroup:
    """Trays of one batch in one phase at one place.

    Attributes:
        batch: Batch id.
        opens: Address of the batch's page.
        crop: What a grower calls it.
        count: How many trays.
        pile: The pile that they lie in; empty: none.
        day: The day of the batch, e.g. ``day 5``.
        phase: Phase and since when.
        water: Water left, large; empty: not known.
        water_how: How that is known, and how old it is; or why it is not.
        dry: When it is dry, in words; empty: not known.
        outside: Bands that it is outside of.
        inside: What is in its band, or that nothing measures it; empty: it is outside of one.
        told: Since when an alarm tells of it; empty: none does.
        is_held: It is on hold.
    """

    batch: str
    opens: str
    crop: str
    count: str
    pile: str
    day: str
    phase: str
    water: str
    water_how: str
    dry: str
    outside: tuple[Outside, ...]
    inside: str
    told: str
    is_held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A shelf, or another place on which trays stand.

    Attributes:
        id: The place's id.
        name: What a grower calls it.
        figures: What is measured right there.
        groups: What stands on it.
        room: How many places are free; empty: not said.
    """

    id: str
    name: str
    figures: tuple[ShownFigure, ...]
    groups: tuple[TrayGroup, ...]
    room: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RackView:
    """A rack, or a room, or another place.

    Attributes:
        id: The place's id.
        name: What a grower calls it.
        figures: What is measured for the whole of it.
        lamp: When its lamp is on, and whether it should be now; empty: no lamp hours.
        boards: Its shelves in walking order.
    """

    id: str
    name: str
    figures: tuple[ShownFigure, ...]
    lamp: str
    boards: tuple[Board, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RacksPage:
    """The room as it stands.

    Attributes:
        says: Day and time.
        holds: What is on hold, said first, as (address, words).
        sums: The room in one sentence.
        racks: Racks and other places in walking order.
    """

    says: str
    holds: tuple[tuple[str, str], ...]
    sums: str
    racks: tuple[RackView, ...]


def phase_words(span: PhaseSpan) -> str:
    """Return a phase, since when, and what ends it when, in words."""
    what = span.kind.value
    if span.kind is PhaseKind.GERMINATION:
        what = (
            "germinating open"
            if span.manner is Manner.OPEN
            else f"{span.manner.value if span.manner else 'dark'} in the dark"
        )
    guess = " (taken as such)" if span.standing is Standing.PRESUMED else ""
    return f"{what} since {say_day(span.begins_on)}{guess}"
