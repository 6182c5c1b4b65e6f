"""Which phase trays are in, since when, and when the next move is due; a pure function of profile, batch, time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from monitor.profiles import Manner, PhaseKind


class Move(StrEnum):
    """What a person does to end a phase."""

    DRAIN = "drain"
    UNCOVER = "uncover"
    END_BLACKOUT = "end blackout"
    HARVEST = "harvest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Local calendar days on which a move is due, all ends included."""

    earliest: date
    usual: date
    latest: date


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatSoFar:
    """The warmth that a batch has had since sowing.

    Attributes:
        mean_temp_c: Mean temperature since sowing. [degC]
        hours: How long that mean covers. [h]
    """

    mean_temp_c: float
    hours: float


class Standing(StrEnum):
    """How sure it is that a phase began when it is said to have begun."""

    ENTERED = "entered"  # a person's entry says so
    PRESUMED = "presumed"  # no entry came, and the latest day has passed: taken as done
    EXPECTED = "expected"  # lies ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSpan:
    """One phase in the life of a part: behind it, now, or ahead.

    Attributes:
        kind: Which phase.
        manner: How germination is done; None in other phases.
        begins_on: Local day on which it begins.
        began_at: Instant at which it began; None where it lies ahead.
        ends_on: Local day on which it ended, or is usually to end; None: open end (overgrown).
        standing: How sure its beginning is.
        move: What ends it; None: time alone, or nothing.
        window: Days on which that move is due; None where there is no move.
    """

    kind: PhaseKind
    manner: Manner | None
    begins_on: date
    began_at: datetime | None
    ends_on: date | None
    standing: Standing
    move: Move | None
    window: Window | None
