"""The factors by which batches are compared, one number each, from the facts of a batch; pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.doses import doses_of
from monitor.profiles import PhaseKind
from monitor.readings import Quantity
from monitor.review import BatchFacts, PhaseFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One factor.

    Attributes:
        key: Short name.
        name: What a grower calls it.
        unit: Its unit, in words; empty: a plain number.
        digits: Decimals that mean something.
        of: How it follows from the facts; None: it is not known.
    """

    key: str
    name: str
    unit: str
    digits: int
    of: Callable[[BatchFacts], float | None]


def _mean(kind: PhaseKind, quantity: Quantity) -> Callable[[BatchFacts], float | None]:
    """Return how to read a phase's mean of a quantity."""

    def of(facts: BatchFacts) -> float | None:
        phase = facts.phase(kind)
        found = None if phase is None else phase.banded.get(quantity)
        return None if found is None else found.mean

    return of


def _phase(kind: PhaseKind, read: Callable[[PhaseFacts], float | None]) -> Callable[[BatchFacts], float | None]:
    """Return how to read something of a phase."""

    def of(facts: BatchFacts) -> float | None:
        phase = facts.phase(kind)
        return None if phase is None else read(phase)

    return of


def _dose(key: str) -> Callable[[BatchFacts], float | None]:
    """Return how to read a dose."""
    return lambda facts: doses_of(facts)[key].value


def _heat(facts: BatchFacts) -> float | None:
    """Return the heat sum until the light; None where less than nine tenths of it were measured."""
    dark = [each for each in facts.phases if each.stretch.kind in (PhaseKind.GERMINATION, PhaseKind.BLACKOUT)]
    if not dark or any(each.heat_sum is None or each.heat_known < 0.9 for each in dark):
        return None
    return sum(each.heat_sum or 0.0 for each in dark)


def _driest(covered: bool) -> Callable[[BatchFacts], float | None]:
    """Return how to read the driest point, under the cover or in the open."""

    def of(facts: BatchFacts) -> float | None:
        waters = [each.water for each in facts.phases if each.water and each.stretch.covered is covered]
        found = [water.driest for water in waters if water.driest is not None]
        return 100 * min(found) if found else None

    return of


def _late_pours(facts: BatchFacts) -> float | None:
    """Return how late pours that were asked for came, the middle of them. [h]."""
    late = sorted(pour.late_h for each in facts.phases for pour in each.pours if pour.late_h is not None)
    return late[len(late) // 2] if late else None


GERMINATION, BLACKOUT, LIGHT = PhaseKind.GERMINATION, PhaseKind.BLACKOUT, PhaseKind.LIGHT
FACTORS: tuple[Factor, ...] = (
    Factor(key="seed", name="seed on a tray", unit="g", digits=1, of=lambda facts: facts.record.seed_g),
    Factor(key="germination c", name="mean temperature of the germination", unit="°C", digits=1,
           of=_mean(GERMINATION, Quantity.TEMPERATURE)),
    Factor(key="cold", name="cold of the germination", unit="of the dose that harms", digits=2,
           of=_dose("cold germination")),
    Factor(key="heat", name="heat of the germination", unit="of the dose that harms", digits=2,
           of=_dose("hot germination")),
    Factor(key="heat sum", name="heat sum until the light", unit="°C d", digits=0, of=_heat),
    Factor(key="germination d", name="days under the cover or weight", unit="d", digits=0,
           of=_phase(GERMINATION, lambda phase: float(phase.stretch.days))),
    Factor(key="blackout d", name="days of blackout", unit="d", digits=0,
           of=_phase(BLACKOUT, lambda phase: float(phase.stretch.days))),
    Factor(key="early", name="cover lifted early", unit="d", digits=1, of=_dose("cover lifted early")),
    Factor(key="leak", name="light under the cover", unit="h", digits=1, of=_dose("light leak")),
    Factor(key="driest covered", name="driest while covered", unit="% left", digits=0, of=_driest(covered=True)),
    Factor(key="driest open", name="driest in the open", unit="% left", digits=0, of=_driest(covered=False)),
    Factor(key="soaked", name="water stood on end", unit="h", digits=0, of=_dose("waterlogged")),
    Factor(key="pours late", name="pours came after the asking", unit="h", digits=1, of=_late_pours),
    Factor(key="light c", name="mean temperature in the light", unit="°C", digits=1,
           of=_mean(LIGHT, Quantity.TEMPERATURE)),
    Factor(key="deficit", name="mean vapour pressure deficit in the light", unit="kPa", digits=2,
           of=_phase(LIGHT, lambda phase: phase.deficit_kpa)),
    Factor(key="wet air", name="nearly saturated air on end", unit="h", digits=1, of=_dose("mould weather")),
    Factor(key="lit", name="hours of light a day", unit="h", digits=1,
           of=_phase(LIGHT, lambda phase: phase.light.lit_h if phase.light else None)),
    Factor(key="mol", name="light integral a day", unit="mol/m²", digits=1,
           of=_phase(LIGHT, lambda phase: phase.light.mol_m2 if phase.light else None)),
    Factor(key="days", name="days to the cut", unit="d", digits=0,
           of=lambda facts: None if facts.record.outcome.days is None else float(facts.record.outcome.days)),
)  # fmt: skip
"""What batches are compared by; how many of them are asked about is what a chance is corrected for."""
