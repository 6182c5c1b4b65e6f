"""What is looked back upon, and the facts of it by phase: nouns only; reviewfacts works them out; pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from monitor.banded import Banded, Series
from monitor.batches import Batch
from monitor.outcomes import Outcome
from monitor.phases import Standing
from monitor.profiles import PhaseKind, Profile
from monitor.readings import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One phase that lies behind a batch, with what could be measured of it.

    Attributes:
        kind: Which phase.
        begin_ms: When it began. [ms since 1970 UTC]
        end_ms: When it ended. [ms since 1970 UTC]
        begins: How sure its beginning is.
        ends: How sure its end is.
        covered: The trays stood under a cover.
        series: The sensors that speak for the trays in it, by quantity; light of a covered phase is measured under
            the cover.
        days: How many local calendar days it lasted. [d]
        left_open: The cover came off before it was due, though the phase is one under a cover.
    """

    kind: PhaseKind
    begin_ms: int
    end_ms: int
    begins: Standing
    ends: Standing
    covered: bool
    series: Mapping[Quantity, Series]
    days: int
    left_open: bool = False

    @property
    def hours(self) -> float:
        """Return how long it lasted. [h]."""
        return (self.end_ms - self.begin_ms) / 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Nudged:
    """One thing that was asked of people, and what came of it.

    Attributes:
        task: What was asked, e.g. ``uncover``.
        asked_at: When it was first asked.
        times: How often it was told.
        was_late: It was told late, since the monitor was down.
        done_at: When it was done, by the ledger; None: no entry says so.
        put_off_at: When somebody answered "not yet"; None: nobody did.
    """

    task: str
    asked_at: datetime
    times: int = 1
    was_late: bool = False
    done_at: datetime | None = None
    put_off_at: datetime | None = None

    @property
    def late_h(self) -> float | None:
        """Return how many hours after the asking it was done; None: no entry says so. [h]."""
        return None if self.done_at is None else (self.done_at - self.asked_at).total_seconds() / 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """All that a look-back reads of one batch.

    Attributes:
        batch: The batch, with its entries.
        profile: Its crop's profile.
        outcome: How it turned out.
        stretches: The phases behind it, oldest first.
        spot: Where most of its trays stood in the light, or last; None: nobody said.
        shelf: The shelf that holds that place; None: nobody said.
        lot: Seed lot; None: nobody said.
        medium: Medium, or the bag of it; None: nobody said.
        seed_g: Sowing weight of a nominal tray; None: nobody said. [g]
        water: Available water fraction of a tray; None: no scale could tell. [0-1]
        lux_per_umol: Factor of what shines; None: not said. [lx per umol m-2 s-1]
        nudges: What was asked of people.
        begin_ms: Sowing. [ms since 1970 UTC]
        end_ms: When its last tray left, or now. [ms since 1970 UTC]
    """

    batch: Batch
    profile: Profile
    outcome: Outcome
    stretches: tuple[Stretch, ...]
    spot: str | None = None
    shelf: str | None = None
    lot: str | None = None
    medium: str | None = None
    seed_g: float | None = None
    water: Series | None = None
    lux_per_umol: float | None = None
    nudges: tuple[Nudged, ...] = ()
    begin_ms: int = 0
    end_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterFacts:
    """The water of a tray over a stretch of time.

    Attributes:
        known_h: Hours of which something is known. [h]
        driest: Least fraction left; None: not known. [0-1]
        driest_ms: When. [ms since 1970 UTC]
        wettest: Most; over 1 where water stood in the bottom tray. [0-1 and over]
        wettest_ms: When. [ms since 1970 UTC]
        limp_h: Hours at or under the wilting point, to what a weight can tell. [h]
        soaked_h: Longest time on end with water standing. [h]
    """

    known_h: float
    driest: float | None = None
    driest_ms: int | None = None
    wettest: float | None = None
    wettest_ms: int | None = None
    limp_h: float = 0.0
    soaked_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PouredFact:
    """One pour.

    Attributes:
        at: When.
        ml: How much a tray; None: nobody said. [ml]
        entered: Somebody entered it; else the weight alone shows it.
        asked: A nudge had asked for it.
        late_h: Hours after it was asked for; None: it was not. [h]
    """

    at: datetime
    ml: float | None
    entered: bool
    asked: bool
    late_h: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LightFacts:
    """The light of a phase in the open.

    Attributes:
        known_h: Hours of which something is known. [h]
        lit_h: Hours lit a day, over the days that are known; None: no day is. [h]
        mol_m2: Light integral a day; None: not known, or the factor is not said. [mol m-2 d-1]
    """

    known_h: float
    lit_h: float | None
    mol_m2: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseFacts:
    """What a batch lived through in one phase.

    Attributes:
        stretch: The phase.
        planned: Days that the profile gives it (earliest, usual, latest); None: the profile says nothing. [d]
        heat_sum: Warmth over the base that was measured; None: no base, or nothing measured. [degC d]
        heat_known: Share of the phase that the heat sum covers. [0-1]
        banded: Each quantity against the profile's band.
        damp_dose: Vapour pressure over the band's humidity times hours; None: not known. [kPa h]
        dry_dose: The same under it. [kPa h]
        near_saturation_h: Longest time on end with a deficit under the mould watch's; None: not known. [h]
        near_saturation_known_h: Hours of which that is known. [h]
        deficit_kpa: Mean vapour pressure deficit; None: not known. [kPa]
        light: Light in the open; None: covered, or no sensor.
        leak_h: Hours with light under the cover; None: no sensor under it. [h]
        leak_known_h: Hours of which that is known. [h]
        water: Water of a tray; None: no scale.
        pours: Pours in it.
        lifts: When the cover was lifted, and how many days early by the entry (0: in its time).
        good_data: Share of the phase with usable readings, by quantity. [0-1]
    """

    stretch: Stretch
    planned: tuple[float, float, float] | None
    heat_sum: float | None
    heat_known: float
    banded: Mapping[Quantity, Banded]
    damp_dose: float | None
    dry_dose: float | None
    near_saturation_h: float | None
    near_saturation_known_h: float
    deficit_kpa: float | None
    light: LightFacts | None
    leak_h: float | None
    leak_known_h: float
    water: WaterFacts | None
    pours: tuple[PouredFact, ...]
    lifts: tuple[tuple[datetime, int], ...]
    good_data: Mapping[Quantity, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFacts:
    """What a batch lived through.

    Attributes:
        record: What was read.
        phases: Its phases, oldest first.
    """

    record: Record
    phases: tuple[PhaseFacts, ...] = field(default_factory=tuple)

    def phase(self, kind: PhaseKind) -> PhaseFacts | None:
        """Return a phase's facts, or None where the batch had no such phase."""
        return next((each for each in self.phases if each.stretch.kind is kind), None)
