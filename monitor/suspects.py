"""Which causes the record supports, rules out or leaves open: chances from a small written model; pure.

The model (suspects.toml) says how much of each thing a batch stands, and how differently batches do. The dose that a
batch had gives the chance that this spoilt it; good batches that stood as much make that chance smaller; what is seen
on the trays weighs causes against each other. One cause, two at once, or none that the record knows: no more is asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import erf, exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from monitor.doses import NOT_KNOWN, Dose
from monitor.outcomes import Judged

Array = NDArray[np.float64]
NONE = "none of these"
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
_FLOOR = 1e-9
_AS_MUCH = 0.8
_CHECK_FINDS, _CHECK_IS_WRONG = 0.85, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause of which a batch can have a dose.

    Attributes:
        key: Its key in suspects.toml and in ``doses_of``.
        name: What a grower calls it.
        unit: Unit of its dose, in words.
        harmful: Dose that spoils half of all batches, beyond what does not count. [its unit]
        beyond: So much of a dose is within what measuring is off, and does not count. [its unit]
        kin: How farms and crops differ in that (standard deviation of the logarithm).
        own: How batches of one crop on one farm do.
        unsure: How far the dose itself is off, as a share of it.
        unmeasured: Chance that it spoilt a batch, where nothing measured it.
        signs: How often it shows as each sign.
        tell: The check or next sowing that would tell.
    """

    key: str
    name: str
    unit: str
    harmful: float
    kin: float
    own: float
    unsure: float
    unmeasured: float
    signs: Mapping[str, float]
    tell: str
    beyond: float = 0.0

    def share(self, dose: Dose) -> float | None:
        """Return what counts of a dose, as a share of the harmful one; None: it is not known."""
        return None if dose.value is None else max(dose.value - self.beyond, 0.0) / self.harmful

    @property
    def spoils_half(self) -> float:
        """Return the measured dose that spoils half of all batches. [its unit]."""
        return self.harmful + self.beyond


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedCause:
    """One cause that batches share and nothing measures: a seed lot, a medium, a place.

    Attributes:
        key: Its key in suspects.toml.
        name: What a grower calls it.
        prior: Chance that a lot, a bag or a place is bad.
        spoils: Chance that a batch of a bad one is spoilt.
        signs: How often it shows as each sign.
        tell: The check or next sowing that would tell.
    """

    key: str
    name: str
    prior: float
    spoils: float
    signs: Mapping[str, float]
    tell: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """The whole model, as suspects.toml has it.

    Attributes:
        none: Chance that a batch is spoilt by what no record holds.
        two: By how much two causes at once are less likely than their chances would have it.
        other_crop: Weight of a batch of another crop.
        noted: How often a sign that is there is written down.
        by_chance: How often a sign is seen without any of the causes.
        even_odds: How sharply the chances are told apart.
        causes: Those with a dose.
        shared: Those that batches share.
        none_name: What "none" is called.
        none_signs: How often what is not in the record shows as each sign.
        none_tell: What to do where nothing in the record explains it.
        test_under_label: By how much a germination test well under its label moves the odds of the lot.
        test_as_label: By how much one that agrees with its label does.
    """

    none: float
    two: float
    other_crop: float
    noted: float
    by_chance: float
    even_odds: float
    causes: tuple[Cause, ...]
    shared: tuple[SharedCause, ...]
    none_name: str
    none_signs: Mapping[str, float]
    none_tell: str
    test_under_label: float
    test_as_label: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """One batch as the model sees it.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        judged: How it turned out.
        doses: What it had of each cause.
        lot, medium, spot: What it shares with others; None: nobody said.
        signs: What was seen; None: nobody said what was.
        lot_differs: A germination test of its lot is well under its label; None: there is none.
    """

    batch: str
    crop: str
    judged: Judged
    doses: Mapping[str, Dose]
    lot: str | None = None
    medium: str | None = None
    spot: str | None = None
    signs: tuple[str, ...] | None = None
    lot_differs: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One cause with its chance, and what speaks for it and against it.

    Attributes:
        key: Its key in suspects.toml.
        name: What a grower calls it.
        chance: Chance that it had a part in it. [0-1]
        alone: Chance by its dose alone, before the other batches and the signs. [0-1]
        dose: What the batch had of it; a shared cause has none.
        harmful: Dose that spoils half of all batches; None: it has none.
        unit: Unit of the dose.
        good_with_as_much: Good batches that had about as much of it, or share it.
        poor_with_as_much: Poor batches likewise.
        signs_for: Signs that were seen and speak for it.
        signs_against: Signs that it usually shows and nobody saw.
        tell: The check or next sowing that would tell.
        tells: By how much that check would settle it. [bit]
    """

    key: str
    name: str
    chance: float
    alone: float
    dose: Dose = NOT_KNOWN
    harmful: float | None = None
    unit: str = ""
    good_with_as_much: tuple[str, ...] = ()
    poor_with_as_much: tuple[str, ...] = ()
    signs_for: tuple[str, ...] = ()
    signs_against: tuple[str, ...] = ()
    tell: str = ""
    tells: float = 0.0


@dataclass(slots=True)
class _Reckoned:
    """What is worked out of one cause on the way."""

    alone: float
    chance: float
    good: list[str] = field(default_factory=list)
    poor: list[str] = field(default_factory=list)


def _below(z: float) -> float:
    """Return the normal distribution function."""
    return 0.5 * (1 + erf(z / sqrt(2)))


def _spoilt(dose: Dose, cause: Cause) -> float:
    """Return the chance that a dose spoilt a batch, by itself."""
    share = cause.share(dose)
    if share is None:
        return cause.unmeasured
    sigma = sqrt(cause.kin**2 + cause.own**2 + cause.unsure**2)
    seen = _below(log(share) / sigma) if share > 0 else 0.0
    return _unseen_too(seen, dose, cause)


def _unseen_too(seen: float, dose: Dose, cause: Cause) -> float:
    """Return a chance with what may have happened while nothing was measured."""
    return 1 - (1 - seen) * (1 - cause.unmeasured * (1 - min(dose.known, 1.0)))


def _otherwise(model: Model, witness: Witness, but: str) -> float:
    """Return the chance that something else than one cause spoilt a batch."""
    kept = 1 - model.none
    for cause in model.causes:
        if cause.key != but:
            kept *= 1 - _spoilt(witness.doses.get(cause.key, NOT_KNOWN), cause)
    return max(1 - kept, 0.02)


def _with_others(model: Model, cause: Cause, own: Witness, others: Sequence[Witness]) -> _Reckoned:
    """Return the chance of a cause with a dose, made smaller by good batches that stood as much."""
    mine = own.doses.get(cause.key, NOT_KNOWN)
    found = _Reckoned(alone=_spoilt(mine, cause), chance=0.0)
    my_share = cause.share(mine)
    if mine.value is None or my_share is None or my_share <= 0:
        found.chance = found.alone
        return found
    sigma = sqrt(cause.own**2 + cause.unsure**2)
    stands = cause.kin * _NODES
    weight = _WEIGHTS / _WEIGHTS.sum()
    for other in others:
        dose = other.doses.get(cause.key, NOT_KNOWN)
        share = cause.share(dose)
        if dose.value is None or share is None or share <= 0 or other.judged is Judged.UNSAID:
            continue
        counts = 1.0 if other.crop == own.crop else model.other_crop
        spoilt = _below_all((log(share) - stands) / sigma)
        if other.judged is Judged.GOOD:
            weight = weight * np.maximum(1 - spoilt, _FLOOR) ** counts
        else:
            otherwise = _otherwise(model, other, cause.key)
            weight = weight * (otherwise + (1 - otherwise) * spoilt) ** counts
        if dose.value >= _AS_MUCH * mine.value:
            (found.good if other.judged is Judged.GOOD else found.poor).append(other.batch)
    weight = weight / max(weight.sum(), _FLOOR)
    seen = float((weight * _below_all((log(my_share) - stands) / sigma)).sum())
    found.chance = _unseen_too(seen, mine, cause)
    return found


def _below_all(z: Array) -> Array:
    """Return the normal distribution function of each."""
    return np.array([_below(float(each)) for each in z])


def _by_company(model: Model, cause: SharedCause, own: Witness, others: Sequence[Witness]) -> _Reckoned:
    """Return the chance of a cause that batches share, by how the others that share it came out."""
    mine = _shares(own, cause.key)
    found = _Reckoned(alone=cause.prior * cause.spoils, chance=0.0)
    odds = cause.prior / (1 - cause.prior)
    for other in others:
        if mine is None or _shares(other, cause.key) != mine or other.judged is Judged.UNSAID:
            continue
        if other.judged is Judged.GOOD:
            odds *= 1 - cause.spoils
            found.good.append(other.batch)
        else:
            otherwise = _otherwise(model, other, "")
            odds *= (1 - (1 - cause.spoils) * (1 - otherwise)) / otherwise
            found.poor.append(other.batch)
    if cause.key == "seed lot" and own.lot_differs is not None:
        odds *= model.test_under_label if own.lot_differs else model.test_as_label
    found.chance = odds / (1 + odds) * cause.spoils
    return found


def _shares(witness: Witness, key: str) -> str | None:
    """Return the lot (with its crop), the medium or the place of a batch."""
    if key == "seed lot":
        return None if witness.lot is None else f"{witness.crop}|{witness.lot.casefold()}"
    return witness.medium if key == "medium" else witness.spot


def suspects_of(model: Model, own: Witness, others: Sequence[Witness]) -> tuple[Suspect, ...]:
    """Return all causes with their chances, most likely first; "none of these" is always among them.

    Args:
        model: What suspects.toml holds.
        own: The batch that is asked about; it is taken to have come out badly.
        others: Batches to compare it with; those that nobody judged are passed over.
    """
    reckoned = {cause.key: _with_others(model, cause, own, others) for cause in model.causes}
    reckoned |= {cause.key: _by_company(model, cause, own, others) for cause in model.shared}
    named: list[Cause | SharedCause] = [*model.causes, *model.shared]
    chances = _posterior(model, named, [reckoned[each.key].chance for each in named], own.signs)
    found = [_suspect(each, reckoned[each.key], chance, own) for each, chance in zip(named, chances[:-1], strict=True)]
    none = Suspect(
        key=NONE,
        name=model.none_name,
        chance=chances[-1],
        alone=model.none,
        tell=model.none_tell,
        signs_for=_speak_for(model.none_signs, own.signs),
    )
    return tuple(sorted([*found, none], key=lambda suspect: -suspect.chance))


def _posterior(
    model: Model, named: Sequence[Cause | SharedCause], chance: Sequence[float], signs: Sequence[str] | None
) -> list[float]:
    """Return the chance that each cause had a part in it, and last that of none of them."""
    clipped = [min(max(each, _FLOOR), 1 - 1e-6) for each in chance]
    odds = [each / (1 - each) for each in clipped]
    alone = [(place,) for place in range(len(named))]
    both = list(combinations(range(len(named)), 2))
    shown = [each.signs for each in named]
    weights = [model.none / (1 - model.none) * _as_seen(model, [model.none_signs], signs)]
    weights += [odds[place] * _as_seen(model, [shown[place]], signs) for (place,) in alone]
    weights += [
        model.two * odds[one] * odds[other] * _as_seen(model, [shown[one], shown[other]], signs) for one, other in both
    ]
    sharp = np.maximum(np.array(weights), 1e-30) ** model.even_odds
    share = sharp / sharp.sum()
    found = [float(share[1 + place]) for place in range(len(named))]
    for place, (one, other) in enumerate(both):
        found[one] += float(share[1 + len(named) + place])
        found[other] += float(share[1 + len(named) + place])
    return [*found, float(share[0])]


def _as_seen(model: Model, shown: Sequence[Mapping[str, float]], signs: Sequence[str] | None) -> float:
    """Return how likely what was written down is, where these causes were at work; 1 where nothing was."""
    if signs is None:
        return 1.0
    total = 0.0
    for sign in _all_signs(model):
        without = 1 - model.by_chance
        for each in shown:
            without *= 1 - each.get(sign, 0.0)
        seen = model.noted * (1 - without)
        total += log(seen if sign in signs else 1 - seen)
    return exp(total)


def _all_signs(model: Model) -> tuple[str, ...]:
    """Return every sign that the model knows."""
    each = [*(cause.signs for cause in model.causes), *(cause.signs for cause in model.shared), model.none_signs]
    return tuple(sorted({sign for signs in each for sign in signs}))


def _speak_for(shown: Mapping[str, float], signs: Sequence[str] | None) -> tuple[str, ...]:
    """Return the signs that were seen and that a cause shows."""
    return tuple(sign for sign in signs or () if sign in shown)


def _suspect(cause: Cause | SharedCause, reckoned: _Reckoned, chance: float, own: Witness) -> Suspect:
    """Return one cause with what speaks for it and against it."""
    usual = [sign for sign, share in cause.signs.items() if share >= 0.5]
    is_dosed = isinstance(cause, Cause)
    return Suspect(
        key=cause.key,
        name=cause.name,
        chance=chance,
        alone=reckoned.alone,
        dose=own.doses.get(cause.key, NOT_KNOWN) if is_dosed else NOT_KNOWN,
        harmful=cause.spoils_half if isinstance(cause, Cause) else None,
        unit=cause.unit if isinstance(cause, Cause) else "",
        good_with_as_much=tuple(reckoned.good),
        poor_with_as_much=tuple(reckoned.poor),
        signs_for=_speak_for(cause.signs, own.signs),
        signs_against=() if own.signs is None else tuple(sign for sign in usual if sign not in own.signs),
        tell=cause.tell,
        tells=settled_by(chance),
    )


def settled_by(chance: float) -> float:
    """Return by how much a check of a cause would settle it: its mutual information with the cause. [bit].

    The check finds the cause in 85 of 100 cases where it is at work, and in 10 where it is not. Common practice, no
    source.
    """
    yes = chance * _CHECK_FINDS + (1 - chance) * _CHECK_IS_WRONG
    return _entropy(yes) - chance * _entropy(_CHECK_FINDS) - (1 - chance) * _entropy(_CHECK_IS_WRONG)


def _entropy(share: float) -> float:
    """Return the entropy of a yes or no. [bit]."""
    if share <= 0 or share >= 1:
        return 0.0
    return -share * log(share, 2) - (1 - share) * log(1 - share, 2)
