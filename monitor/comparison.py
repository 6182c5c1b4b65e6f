"""One batch beside comparable ones: the good ones' range, a robust distance, an exact chance where they are enough.

The chance is a permutation's: if this batch were one of the good ones, how often would one of them, any, stand as far
from the middle of the rest? With n good batches no answer can be smaller than 1/(n + 1); that is said beside it. Over
all factors it is corrected by Holm's method.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.factors import FACTORS, Factor
from monitor.review import BatchFacts

ENOUGH = 6
"""From so many good batches on a chance is worked out. Ours."""
_MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One factor of a batch beside the good ones'.

    Attributes:
        key: The factor.
        name: What a grower calls it.
        unit: Its unit.
        digits: Decimals that mean something.
        value: The batch's.
        good: The good batches', sorted.
        distance: How far it lies from their middle, in robust standard deviations; None: they do not differ, or there
            are fewer than three.
        chance: Exact permutation chance of standing so far out, corrected for the factors asked about; None: too few.
        least: The smallest that so few batches allow, before that correction; None: too few.
    """

    key: str
    name: str
    unit: str
    digits: int
    value: float
    good: tuple[float, ...]
    distance: float | None
    chance: float | None
    least: float | None


def robust_distance(value: float, others: Sequence[float]) -> float | None:
    """Return how far a value lies from the middle of others, in robust standard deviations; None: it cannot be told."""
    if len(others) < 3:
        return None
    middle = median(others)
    spread = _MAD_TO_SIGMA * median(abs(each - middle) for each in others)
    return (value - middle) / spread if spread > 0 else None


def permutation_chance(value: float, others: Sequence[float]) -> float:
    """Return how often one of all, any, lies as far from the middle of the rest as this one does. [0-1].

    Every one of the n + 1 takes its turn as the one that is asked about, so the chance is exact under the assumption
    that they are exchangeable, and at least 1/(n + 1).
    """
    everyone = [value, *others]
    far = [abs(each - median([*everyone[:place], *everyone[place + 1 :]])) for place, each in enumerate(everyone)]
    return sum(each >= far[0] - 1e-12 for each in far) / len(everyone)


def holm(chances: Sequence[float]) -> list[float]:
    """Return chances corrected for their number by Holm's method, in their order. Source: [HOLM-1979]."""
    order = sorted(range(len(chances)), key=lambda place: chances[place])
    found = [0.0] * len(chances)
    highest = 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min((len(chances) - rank) * chances[place], 1.0))
        found[place] = highest
    return found


def compare(own: BatchFacts, good: Sequence[BatchFacts], factors: Sequence[Factor] = FACTORS) -> tuple[Compared, ...]:
    """Return every factor that is known of a batch beside the good batches', in the order of the factors."""
    rows: list[tuple[Factor, float, list[float]]] = []
    for factor in factors:
        value = factor.of(own)
        if value is not None:
            others = [each for each in (factor.of(other) for other in good) if each is not None]
            rows.append((factor, value, sorted(others)))
    asked = [place for place, (_, _, others) in enumerate(rows) if len(others) >= ENOUGH]
    corrected: Mapping[int, float] = dict(
        zip(asked, holm([permutation_chance(rows[place][1], rows[place][2]) for place in asked]), strict=True)
    )
    return tuple(
        Compared(
            key=factor.key,
            name=factor.name,
            unit=factor.unit,
            digits=factor.digits,
            value=value,
            good=tuple(others),
            distance=robust_distance(value, others),
            chance=corrected.get(place),
            least=1 / (len(others) + 1) if len(others) >= ENOUGH else None,
        )
        for place, (factor, value, others) in enumerate(rows)
    )
