"""What the steps in a weight mean for the trays on the cell: proposals beside the ledger, never entries; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from monitor.loadcell import Step, StepKind

AGREES_WITHIN_MS = 30 * 60_000
"""A proposal and an entry of the same deed within so much of each other are one. [ms]"""
_PUT_ON_MS = 60 * 60_000
_POUR_OFF_MS = 2 * 3_600_000
_PILE_WITHIN, _TRAY_WITHIN = 0.06, 0.12
_LEAST_SHARE_CUT, _MOST_SHARE_CUT = 0.4, 1.6
_DAY_MS = 86_400_000


class Deed(StrEnum):
    """What was done to the trays on a cell, as its weight tells it."""

    WATERED = "watered"
    POURED_OFF = "poured off"
    WEIGHT_ON = "weight put on"
    WEIGHT_OFF = "weight taken off"
    TRAYS_ADDED = "trays added"
    TRAYS_TAKEN = "trays taken away"
    CUT = "cut"
    LIFTED = "lifted and put back"
    HAND = "something lay on it"
    BUMP = "bump"
    SMALL = "small step"
    UNEXPLAINED = "unexplained"


@dataclass(frozen=True, slots=True, kw_only=True)
class OnCell:
    """What is known of the trays on a cell, so far as it helps to read its steps.

    Attributes:
        tray_g: What one tray weighs just watered. [g]
        trays: How many trays stand on the cell side by side, one for a tray's own cell.
        pile_trays: How many trays lie in the pile, by the entries; None: nobody said.
        pile_weight_g: Weight that the farm puts on this pile; None: none is known. [g]
        covered_until_ms: When they were uncovered; None: they still are, or nobody said. [ms since 1970 UTC]
        piled: They lie in a pile, or under a cover, at the start.
        most_pour_g: More than a tray and its bottom tray can take at once. [g]
        cut_from_ms: From when on they may be cut; None: not known. [ms since 1970 UTC]
        yield_g: Usual cut weight of all trays on the cell. [g]
    """

    tray_g: float
    trays: int = 1
    pile_trays: int | None = None
    pile_weight_g: float | None = None
    covered_until_ms: int | None = None
    piled: bool = False
    most_pour_g: float = 1500.0
    cut_from_ms: int | None = None
    yield_g: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightEvent:
    """One deed read from a weight.

    Attributes:
        deed: What it looks like.
        at_ms: When. [ms since 1970 UTC]
        grams: By how much the weight changed; for what passed, how far it went. [g]
        trays: How many trays were added or taken; 0 for other deeds.
        after_g: Level afterwards. [g]
    """

    deed: Deed
    at_ms: int
    grams: float
    trays: int = 0
    after_g: float = 0.0


class _Reader:
    """Reads steps in their order, with what lies on the cell so far."""

    def __init__(self, known: OnCell) -> None:
        """Begin with what is known."""
        self.known = known
        self.weight_on = False
        self.extra_trays = 0
        self.uncovered_at_ms: int | None = None
        self.last_pour: WeightEvent | None = None
        self.events: list[WeightEvent] = []

    def is_piled(self, at_ms: int) -> bool:
        """Tell whether a pile still lies there, by the entries and by the weight."""
        if self.weight_on or self.extra_trays > 0:
            return True
        until = self.known.covered_until_ms
        return self.known.piled and (until is None or at_ms <= until) and self.uncovered_at_ms is None

    def add(self, deed: Deed, step: Step, grams: float, trays: int = 0) -> None:
        """Note one deed."""
        event = WeightEvent(deed=deed, at_ms=step.at_ms, grams=grams, trays=trays, after_g=step.after_g)
        self.events.append(event)
        if deed is Deed.WATERED:
            self.last_pour = event

    def pile_and_trays(self, grams: float, most_trays: int, *, weight: bool) -> tuple[bool, int] | None:
        """Return (weight, trays) that a change of load is made of, the best within tolerance; None: neither fits."""
        known = self.known
        best: tuple[float, bool, int] | None = None
        for has_weight in (False, True) if weight and known.pile_weight_g else (False,):
            for trays in range(most_trays + 1):
                if not has_weight and not trays:
                    continue
                expected = (known.pile_weight_g or 0.0) * has_weight + trays * known.tray_g
                allowed = (
                    _TRAY_WITHIN * trays * known.tray_g + (_PILE_WITHIN * (known.pile_weight_g or 0.0)) * has_weight
                )
                off = abs(grams - expected) / max(allowed, 1.0) + (0.1 if has_weight and trays else 0.0)
                if off <= 1.1 and (best is None or off < best[0]):
                    best = (off, has_weight, trays)
        return None if best is None else (best[1], best[2])

    @property
    def has_unpiled(self) -> bool:
        """Tell whether a weight has come off already, so that there is none to come off."""
        return any(event.deed is Deed.WEIGHT_OFF for event in self.events)

    def most_taken(self) -> int:
        """Return how many trays can come off: those that were seen to come, or any where nothing was seen."""
        seen = any(event.deed in (Deed.TRAYS_ADDED, Deed.WEIGHT_ON) for event in self.events)
        return self.extra_trays if seen else (self.known.pile_trays or 9) - 1

    def rise(self, step: Step) -> None:
        """Read a rise that stays."""
        piled = self.is_piled(step.at_ms)
        most = max((self.known.pile_trays or 9) - 1 - self.extra_trays, 0)
        wants = self.pile_and_trays(step.grams, most, weight=not self.weight_on) if piled else None
        if wants is None and step.grams > self.known.most_pour_g:
            wants = self.pile_and_trays(step.grams, 4, weight=False)
        if wants is None:
            deed = Deed.WATERED if step.grams <= self.known.most_pour_g * self.known.trays else Deed.UNEXPLAINED
            self.add(deed, step, step.grams)
            return
        weight, trays = wants
        if trays:
            self.extra_trays += trays
            self.add(Deed.TRAYS_ADDED, step, step.grams - weight * (self.known.pile_weight_g or 0.0), trays)
        if weight:
            self.weight_on = True
            self.add(Deed.WEIGHT_ON, step, self.known.pile_weight_g or 0.0)

    def fall(self, step: Step) -> None:
        """Read a fall that stays."""
        down = -step.grams
        if self.is_piled(step.at_ms):
            wants = self.pile_and_trays(down, self.most_taken(), weight=self.weight_on or not self.has_unpiled)
            if wants is not None:
                self._unpile(step, *wants)
                return
        pour = self.last_pour
        if pour is not None and step.at_ms - pour.at_ms <= _POUR_OFF_MS and down <= self.known.most_pour_g:
            self.add(Deed.POURED_OFF, step, step.grams)
            return
        known = self.known
        expected = known.yield_g
        if (
            known.cut_from_ms is not None
            and step.at_ms >= known.cut_from_ms - _DAY_MS
            and (_LEAST_SHARE_CUT * expected <= down <= _MOST_SHARE_CUT * expected)
        ):
            self.add(Deed.CUT, step, step.grams)
        elif abs(down - known.tray_g) <= 0.25 * known.tray_g:
            self.add(Deed.TRAYS_TAKEN, step, step.grams, 1)
        else:
            self.add(Deed.UNEXPLAINED, step, step.grams)

    def _unpile(self, step: Step, weight: bool, trays: int) -> None:
        """Note a weight and trays that came off."""
        if weight:
            self.weight_on = False
            self.uncovered_at_ms = step.at_ms
            self.add(Deed.WEIGHT_OFF, step, -(self.known.pile_weight_g or 0.0))
        if trays:
            self.extra_trays = max(0, self.extra_trays - trays)
            rest = step.grams + weight * (self.known.pile_weight_g or 0.0)
            self.add(Deed.TRAYS_TAKEN, step, rest, trays)


def _passing(steps: Sequence[Step]) -> set[int]:
    """Return the places of rises that were followed by a fall of the same size, and of those falls."""
    found: set[int] = set()
    for place, step in enumerate(steps):
        if step.kind is not StepKind.RISE or place in found:
            continue
        for later in range(place + 1, min(place + 4, len(steps))):
            after = steps[later]
            if after.at_ms - step.until_ms > _PUT_ON_MS:
                break
            same = abs(step.grams + after.grams) <= max(0.04 * step.grams, 15.0)
            if (
                after.kind is StepKind.FALL
                and same
                and abs(after.after_g - step.before_g) <= max(15.0, 0.04 * step.grams)
            ):
                found |= {place, later}
                break
    return found


_PASSED = {
    StepKind.AWAY: Deed.LIFTED,
    StepKind.TOUCH: Deed.HAND,
    StepKind.BUMP: Deed.BUMP,
    StepKind.SMALL: Deed.SMALL,
}


def read_events(steps: Sequence[Step], known: OnCell) -> tuple[WeightEvent, ...]:
    """Return what steps in a weight mean, in their order.

    A rise followed within the hour by a fall of the same size is something that lay on the cell. In a pile a
    change is split into the farm's own weight and whole trays. A fall after a pour is what was poured off.
    """
    reader = _Reader(known)
    passing = _passing(steps)
    for place, step in enumerate(steps):
        if place in passing:
            if step.kind is StepKind.RISE:
                reader.add(Deed.HAND, step, step.grams)
        elif step.kind in _PASSED:
            reader.add(_PASSED[step.kind], step, step.grams)
        elif step.kind is StepKind.RISE:
            reader.rise(step)
        else:
            reader.fall(step)
    return tuple(reader.events)
