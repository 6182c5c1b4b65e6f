"""What is known of a tray beside its weight: its limits, its growth, and what people wrote down; pure nouns."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from monitor.drying import DeficitAt, LitAt
from monitor.growth import GrowthClock
from monitor.profiles import Span


class Known(StrEnum):
    """How the water of a tray is known."""

    WEIGHED = "its own scale"
    SHELF = "a scale under several trays"
    SISTER = "the scale under a sister"
    HAND = "the hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A weighing that a person marked full or dry, or a watering to the brim that the scale saw.

    Attributes:
        at_ms: When. [ms since 1970 UTC]
        grams: Weight of one tray with all that belongs to it. [g]
        what: ``full``, ``dry`` or ``brim`` (poured off).
    """

    at_ms: int
    grams: float
    what: Literal["full", "dry", "brim"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """How a tray felt in the hand: heavy, right or light."""

    at_ms: int
    feel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """A pour that a person wrote down; grams is None where nobody said how much. [g]."""

    at_ms: int
    grams: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """A weight from a kitchen scale, with its tray and all. [g]."""

    at_ms: int
    grams: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayFacts:
    """What is known of a tray beside its weight.

    Attributes:
        clock: How far the batch is on its way to the cut.
        uncovered_ms: When it came out from under its cover; None: it is covered still. [ms since 1970 UTC]
        lit_ms: When it came into the light; None: not yet. [ms since 1970 UTC]
        yield_g: Usual cut weight of one tray of its size. [g]
        refill: Available water fraction at which it is to be watered. [0-1]
        wilting: Available water fraction at which plants limp. [0-1]
        scale: Its area as a share of the nominal tray's. [-]
        full_g: Weight just drained, without plants; None: never set. [g]
        limp_g: Weight at which plants limp, without the plants' own; None: never set. [g]
        limp_is_measured: It was weighed when plants limped, not reckoned from the full weight.
        held_g: Water that the drained medium holds; None: not known. [g]
        most_pour_g: What tray and bottom tray take at once. [g]
        marks: Weighings marked full or dry, waterings to the brim, oldest first.
        lifts: How it felt in the hand, oldest first.
        pours: Pours that were written down, oldest first.
        weighings: Weights from a kitchen scale, oldest first.
        yield_sigma, days_sigma: Relative standard deviations of yield and days, where the farm's own earlier batches
            tell them; None: the profile's span. [-]
        usual_pour_g: What a pour of this crop usually is. [g]
    """

    clock: GrowthClock
    uncovered_ms: int | None
    lit_ms: int | None
    yield_g: Span
    refill: float
    wilting: float
    scale: float = 1.0
    full_g: float | None = None
    limp_g: float | None = None
    limp_is_measured: bool = False
    held_g: float | None = None
    most_pour_g: float = 1500.0
    marks: tuple[Mark, ...] = ()
    lifts: tuple[Lift, ...] = ()
    pours: tuple[Pour, ...] = ()
    weighings: tuple[Weighing, ...] = ()
    yield_sigma: float | None = None
    days_sigma: float | None = None
    usual_pour_g: float = 300.0


@dataclass(frozen=True, slots=True)
class Air:
    """Light and air of a tray, past and to come."""

    lit_at: LitAt
    deficit_at: DeficitAt


BANDS = {"heavy": (0.72, float("inf")), "right": (0.45, 0.72), "light": (float("-inf"), 0.45)}
"""Available water fraction that a hand means. Common practice, no source."""
HAND_BLUR = 0.13
"""Standard deviation of a hand's feeling, as an available water fraction. Common practice, no source."""
