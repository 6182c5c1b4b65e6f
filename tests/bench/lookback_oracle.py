"""An oracle for the look-back's benchmark: it knows the generator's own likelihoods, and the true doses.

It sees the true dose of everything that the record shows of a batch at all, what is written down of the signs, and how
the other batches really came out; it knows every number of ``simulated_feeds.badparameters``. It is no part of the
product: it bounds what any look-back could name from such a record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import combinations
from math import erf, exp, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from monitor.ledger import EntryKind
from simulated_feeds import badparameters as ranges
from simulated_feeds.badfarm import Case
from simulated_feeds.badlife import Life

NAMES = (*ranges.DOSES, *ranges.SHARED)
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)


def _below(z: float) -> float:
    return 0.5 * (1 + erf(z / sqrt(2)))


def _density(dose: float, spread: ranges.Spread, whole: bool) -> float:
    """Return the density of a dose; of whole numbers, their probability."""
    if whole and dose < 1:
        return 1e-12
    if whole:
        top, bottom = (log((dose + off) / spread.middle) / spread.sigma for off in (0.5, -0.5))
        return max(_below(top) - _below(bottom), 1e-12)
    z = log(dose / spread.middle) / spread.sigma
    return max(exp(-z * z / 2) / (dose * spread.sigma * sqrt(2 * pi)), 1e-12)


def stands_weights(case: Case, cause: str) -> NDArray[np.float64]:
    """Return how likely each kinship of the crop is, by what its good and bad batches had."""
    each = ranges.DOSES[cause]
    weight = _WEIGHTS / _WEIGHTS.sum()
    target = case.lives[-1]
    for life in case.lives[:-1]:
        dose = life.dose[cause]
        if life.profile.id != target.profile.id or dose <= 0:
            continue
        spoilt = np.array([_below(float(z)) for z in _z(dose, each)])
        weight = weight * (0.1 + 0.9 * spoilt if life.harmed else np.maximum(1 - spoilt, 1e-9))
    return np.asarray(weight / max(weight.sum(), 1e-12))


def _z(dose: float, each: ranges.DoseRange) -> NDArray[np.float64]:
    return np.asarray((log(dose / each.harmful.middle) - each.harmful.sigma * _NODES) / each.own_sigma)


@lru_cache(maxsize=256)
def _shares_over(cause: str) -> tuple[float, float]:
    """Return how often a wrong dose is over, and an ordinary one under, what a batch stands."""
    each, rng = ranges.DOSES[cause], np.random.default_rng(1)
    stands = each.harmful.middle * np.exp(rng.normal(0, sqrt(each.harmful.sigma**2 + each.own_sigma**2), 4000))
    wrong = np.minimum(each.wrong.middle * np.exp(rng.normal(0, each.wrong.sigma, 4000)), each.most)
    usual = each.usual.middle * np.exp(rng.normal(0, each.usual.sigma, 4000))
    if each.whole:
        wrong = np.round(wrong)
        usual = np.where(usual > 0.7, np.round(usual), usual)
    return float((wrong > stands).mean()), float((usual <= stands).mean())


def likelihood_ratio(case: Case, cause: str) -> float:
    """Return how much likelier the target's dose is where this cause was at work than where it was not."""
    if cause not in case.measured:
        return 1.0
    each, dose = ranges.DOSES[cause], case.lives[-1].dose[cause]
    if dose <= 1e-9:
        return 1e-6
    weight = stands_weights(case, cause)
    over = float((weight * np.array([_below(float(z)) for z in _z(dose, each)])).sum())
    is_over, is_under = _shares_over(cause)
    wrong = _density(dose, each.wrong, each.whole) * over / max(is_over, 1e-6)
    usual = each.usual_share * _density(dose, each.usual, each.whole and dose >= 1) * (1 - over) / max(is_under, 1e-6)
    return max(wrong, 1e-12) / max(usual, 1e-9 * wrong, 1e-12)


def company_ratio(case: Case, cause: str) -> float:
    """Return how much likelier the others' outcomes are where the target's lot, medium or shelf is bad."""
    target, ratio = case.lives[-1], 1.0
    for life in case.lives[:-1]:
        if not _same(life, target, cause):
            continue
        bad = bool(life.harmed)
        spoils, otherwise = ranges.SHARED[cause], 0.08
        if bad and any(life.dose[name] > life.stands[name] for name in ranges.DOSES):
            continue
        ratio *= (spoils + (1 - spoils) * otherwise) / otherwise if bad else 1 - spoils
    return ratio


def _same(life: Life, target: Life, cause: str) -> bool:
    if cause == "seed lot":
        return life.lot == target.lot
    return life.medium == target.medium if cause == "medium" else life.shelf == target.shelf


def _seen(signs: Sequence[str] | None, causes: Sequence[str], noted: float) -> float:
    """Return how likely the signs that were written down are."""
    if signs is None:
        return 1.0
    total = 0.0
    for sign in sorted({sign for each in ranges.SIGNS.values() for sign in each}):
        without = 1 - ranges.SIGN_BY_CHANCE
        for cause in causes:
            without *= 1 - ranges.SIGNS[cause].get(sign, 0.0)
        there = noted * (1 - without)
        total += log(there if sign in signs else 1 - there)
    return exp(total)


def chances(case: Case) -> Mapping[str, float]:
    """Return the chance of every cause, and of none that the record knows."""
    signs = next(
        (
            tuple(entry.data["signs"])
            for entry in case.entries
            if entry.batch == case.target and entry.kind is EntryKind.OUTCOME and "signs" in entry.data
        ),
        None,
    )
    noted = sum(ranges.SIGN_NOTED) / 2
    ratio = {name: likelihood_ratio(case, name) for name in ranges.DOSES}
    ratio |= {name: company_ratio(case, name) for name in ranges.SHARED}
    single = (1 - ranges.MIXTURES - ranges.NOT_RECORDED) / len(NAMES)
    pairs = list(combinations(NAMES, 2))
    double = ranges.MIXTURES / len(pairs)
    weight: dict[tuple[str, ...], float] = {
        (ranges.NOT_IN_RECORD,): ranges.NOT_RECORDED * _seen(signs, [ranges.NOT_IN_RECORD], noted)
    }
    for name in NAMES:
        weight[(name,)] = single * ratio[name] * _seen(signs, [name], noted)
    for one, other in pairs:
        weight[(one, other)] = double * ratio[one] * ratio[other] * _seen(signs, [one, other], noted)
    whole = sum(weight.values())
    found = dict.fromkeys((*NAMES, ranges.NOT_IN_RECORD), 0.0)
    for causes, each in weight.items():
        for name in causes:
            found[name] += each / whole
    return found
