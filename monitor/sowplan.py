"""A plan of sowings for what is promised and lacks: which trays on which day, within shelves, trays and seed; pure.

These are the plan's values; monitor/roombook.py reckons its room exactly, monitor/sowmodel.py makes it.

Assumptions, ours: piled trays stand in piles of one crop and one sowing day, of the farm's ``trays_in_pile`` at most,
and a pile takes one place; covered and open trays take one each; trays keep their places to the end of the day on
which they go out; trays can be moved when their pile is taken apart, and not otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum


class Lacks(StrEnum):
    """Why trays of a promise cannot be sown in time."""

    TOO_LATE = "too late to sow"
    NO_PLACES = "no places"
    NO_TRAYS = "no trays"
    NO_SEED = "no seed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Want:
    """What lacks of one promise on one day, and when it may be sown.

    Attributes:
        promise: Id of the promise.
        on: The day asked for.
        crop: Profile id.
        whom: Who gets them.
        living: They go out living.
        trays: Trays that lack.
        spare: Trays to sow besides, for the usual loss.
        earliest: First day on which sowing serves, though it may be past.
        usual: Usual day.
        latest: Last day.
        not_before: First day on which it can still be begun.
        piled_days: Days in a pile from sowing on; 0: it takes a place for each tray at once. [d]
        dark_until: Days from sowing until the cover comes off, and until the light. [d]
        opens: Days from sowing until it can be cut. [d]
        seed_g: Seed in a tray. [g]
    """

    promise: str
    on: date
    crop: str
    whom: str
    living: bool
    trays: int
    spare: int
    earliest: date
    usual: date
    latest: date
    not_before: date
    piled_days: int
    dark_until: tuple[int, int]
    opens: int
    seed_g: float

    @property
    def days(self) -> tuple[date, ...]:
        """Return the days on which it can still be sown, ascending."""
        first = max(self.earliest, self.not_before)
        return tuple(first + timedelta(days=n) for n in range((self.latest - first).days + 1))

    def phase_on(self, sown: date, day: date) -> str:
        """Return the phase in which trays sown on one day are on another, each move done on its usual day."""
        old = (day - sown).days
        if old < self.dark_until[0]:
            return "germination"
        if old < self.dark_until[1]:
            return "blackout"
        return "light" if old < self.opens else "harvest window"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """Trays that stand already, with the places that they take.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        shelf: The shelf on which they stand; None: nobody said, or it holds no counted number.
        first: First local day of this stay.
        last: Last local day.
        trays: How many.
        places: How many places they take.
        phases: Phase by day, as words, from the first day on.
    """

    batch: str
    crop: str
    shelf: str | None
    first: date
    last: date
    trays: int
    places: int
    phases: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a plan must fit into.

    Attributes:
        first: First day of the plan.
        last: Last day of the plan.
        shelves: Trays that each shelf holds, by its id, in walking order; empty: nobody said, so places do not count.
        in_pile: Trays of a pile.
        trays_owned: Trays that the farm has; None: nobody said.
        seed_g: Seed that is left, by crop; a crop that is not named is not counted. [g]
        stays: What stands already.
    """

    first: date
    last: date
    shelves: Mapping[str, int]
    in_pile: int
    trays_owned: int | None = None
    seed_g: Mapping[str, float] = field(default_factory=dict)
    stays: tuple[Stay, ...] = ()

    @property
    def days(self) -> tuple[date, ...]:
        """Return all days of the plan."""
        return tuple(self.first + timedelta(days=n) for n in range((self.last - self.first).days + 1))

    @property
    def places(self) -> int | None:
        """Return how many places there are in all; None: nobody said."""
        return sum(self.shelves.values()) if self.shelves else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sown:
    """Trays of one want sown on one day.

    Attributes:
        want: What they are for.
        on: The day of sowing.
        trays: How many, spare ones among them.
        spare: How many of them are spare.
    """

    want: Want
    on: date
    trays: int
    spare: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmet:
    """Trays of a want that the plan cannot meet, and why.

    Attributes:
        want: What they lack for.
        trays: How many.
        lacks: The reasons, in the order of Lacks.
        full_on: Days on which places run out for it.
        short_on: Days on which trays run out for it.
    """

    want: Want
    trays: int
    lacks: tuple[Lacks, ...]
    full_on: tuple[date, ...] = ()
    short_on: tuple[date, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to sow on which day.

    Attributes:
        room: What it fits into.
        wants: What it is for.
        sown: The sowings, by day.
        unmet: What it cannot meet, by the day asked for.
        chosen: A solver had to choose; False: all fits on its usual day, or nothing could be chosen.
        at_most: Trays that no plan could exceed, by the solver's relaxation; None: nothing was to be chosen.
    """

    room: Room
    wants: tuple[Want, ...]
    sown: tuple[Sown, ...]
    unmet: tuple[Unmet, ...]
    chosen: bool
    at_most: int | None = None

    @property
    def met(self) -> int:
        """Return how many of the lacking trays it meets; spare ones do not count."""
        return sum(each.trays - each.spare for each in self.sown)
