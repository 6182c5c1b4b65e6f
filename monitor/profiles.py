"""What a crop needs: sowing, phases in order with days and bands, watering, harvest, each figure with its source.

monitor/profilefile.py reads the TOML files; this module knows no file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from monitor.readings import Quantity


class PhaseKind(StrEnum):
    """The phases that a batch goes through, in their order."""

    SOAK = "soak"
    GERMINATION = "germination"
    BLACKOUT = "blackout"
    LIGHT = "light"
    HARVEST = "harvest window"
    OVERGROWN = "overgrown"


class Manner(StrEnum):
    """How germination is done."""

    STACKED = "stacked"
    COVERED = "covered"
    OPEN = "open"


class Where(StrEnum):
    """Where a band is meant: which sensor may judge it."""

    ROOM_AIR = "room air"
    UNDER_COVER = "under the cover"
    MEDIUM = "medium"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number with where it comes from."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A lower, usual and upper number with where they come from.

    In day spans low is the earliest, usual the usual and high the latest day.
    """

    low: float
    usual: float
    high: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What a phase asks of one quantity.

    Attributes:
        low: Lower end; None: no lower end. [stored unit]
        high: Upper end; None: no upper end. [stored unit]
        where: Where it is meant.
        source: Where the figures come from.
        hold_minutes: How long outside before anyone is told. [min]
        urgent_low: Under this, at once and by night too (chilling); None: never.
        urgent_high: Over this likewise.
    """

    low: float | None
    high: float | None
    where: Where
    source: str
    hold_minutes: float = 30.0
    urgent_low: float | None = None
    urgent_high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Harm:
    """How far and how long outside its band a crop stands before it takes harm.

    Humidity is counted as the pressure of the vapour that is too little or too much.

    Attributes:
        cold: Under the band. [degC h]
        heat: Over the band. [degC h]
        dry: Under the band of humidity. [kPa h]
        damp: Over the band of humidity. [kPa h]
    """

    cold: Figure
    heat: Figure
    dry: Figure
    damp: Figure


_OURS = "common practice, no source; our default"
USUAL_HARM = Harm(
    cold=Figure(value=24.0, source=_OURS),
    heat=Figure(value=12.0, source=_OURS),
    dry=Figure(value=2.0, source=_OURS),
    damp=Figure(value=1.5, source=_OURS),
)
"""What holds for a profile that does not say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhasePlan:
    """One phase as the profile has it.

    Attributes:
        kind: Which phase. Soak, overgrown are not listed here; the harvest window is.
        days: How many local calendar days it lasts (earliest, usual, latest), counted from the day it began;
            for the harvest window, the days since sowing on which it may open (low), usually opens (usual),
            and closes (high).
        bands: What it asks, by quantity.
        light_hours: Hours of lamp light a day; None: dark, or not said. [h]
        daily_light_mol_m2: Daily light integral; None: not said. [mol m-2 d-1]
    """

    kind: PhaseKind
    days: Span
    bands: Mapping[Quantity, tuple[Band, ...]]
    light_hours: Span | None = None
    daily_light_mol_m2: Span | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What one crop needs. Figures per tray are for the nominal 10 x 20 inch tray (0.12903 m2).

    Attributes:
        id: Short name used on the command line, e.g. ``basil-thai``.
        name: What a grower calls it.
        species: Botanical name.
        also_called: Other names that find it.
        sticky: The seed is mucilaginous: no soak, and not to be touched while it is stacked or covered.
        manner: How germination is done.
        seed_g_per_tray: Sowing weight. [g per nominal tray]
        soak_hours: How long it is soaked; None: not soaked. [h]
        stack_weight_kg: Weight put on the stack; None where none is meant. [kg]
        phases: Germination, blackout (may be missing), light (may be missing), harvest window, in order.
        blackout_ends_at_cm: Height at which the blackout ends. [cm]
        cut_at_cm: Height at which it is cut. [cm]
        first_water_day: Day since sowing before which nothing is poured (low), is usual (usual), latest (high). [d]
        water_every_days: Usual days between pours in the light, where neither weight nor hand tells. [d]
        water_ml_per_pour: Usual pour where no weight tells. [ml per nominal tray]
        refill_fraction: Available water left at which a tray is watered. [0-1]
        wilting_fraction: Available water left at which plants limp. [0-1]
        base_temp_c: Base temperature of the heat sum; None: not known. [degC]
        holding_days_living: Days it keeps as a living tray after the usual harvest day. [d]
        yield_g_per_tray: Usual cut weight. [g per nominal tray]
        storage: How the cut crop is kept: ``text`` (one line) and ``source``.
        allergens: What must be declared in many countries, one line; empty: nothing known.
        cautions: Further lines for the grower.
        notes: Why a figure lies outside what a source says, and the like.
        thousand_seed_g: Weight of 1000 seeds; None: not known. [g]
        harm: How far and how long outside its bands before it takes harm.
        origin: ``shipped`` or the file that overrides it.
    """

    id: str
    name: str
    species: str
    also_called: tuple[str, ...]
    sticky: bool
    manner: Manner
    seed_g_per_tray: Span
    soak_hours: Span | None
    stack_weight_kg: Span | None
    phases: tuple[PhasePlan, ...]
    blackout_ends_at_cm: Figure | None
    cut_at_cm: Span
    first_water_day: Span
    water_every_days: Span
    water_ml_per_pour: Span
    refill_fraction: Figure
    wilting_fraction: Figure
    base_temp_c: Figure | None
    holding_days_living: Span
    yield_g_per_tray: Span
    storage: Mapping[str, str]
    allergens: str
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()
    thousand_seed_g: Figure | None = None
    harm: Harm = USUAL_HARM
    origin: str = "shipped"

    def plan(self, kind: PhaseKind) -> PhasePlan | None:
        """Return the plan of a phase, or None where this crop has no such phase."""
        for plan in self.phases:
            if plan.kind is kind:
                return plan
        return None
