"""What a germination test at home tells of a seed lot: its share, how sure that is, whether the label is wrong; pure.

Source:
    Interval: [CLOPPER-PEARSON], the exact one, through scipy's binomtest. Tolerances between two tests of 400 seeds or
    more: [CFR-201.63], by the mean of both.
"""

from __future__ import annotations

from dataclasses import dataclass

TOLERANCES: tuple[tuple[float, float], ...] = ((96, 5), (90, 6), (80, 7), (70, 8), (60, 9), (0, 10))
"""[CFR-201.63] (mean from so many percent on, tolerance in points)."""

FULL_TEST = 400
"""Seeds of a full test; the tolerances are meant for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Germination:
    """A test, judged.

    Attributes:
        share_pct: Share that germinated. [%]
        low_pct: Lower end of the 95 % interval of the lot's own share. [%]
        high_pct: Upper end. [%]
        label_pct: What the label says; None: not said. [%]
        tolerance_pct: By how many points two full tests may differ; None: there is no label. [points]
        differs: The test really differs from the label; None: there is no label.
    """

    share_pct: float
    low_pct: float
    high_pct: float
    label_pct: float | None
    tolerance_pct: float | None
    differs: bool | None


def tolerance(mean_pct: float) -> float:
    """Return by how many points two tests of one lot may differ by chance.

    Source:
        [CFR-201.63], germination, 400 seeds or more.
    """
    return next(points for from_pct, points in TOLERANCES if mean_pct >= from_pct)


def interval(germinated: int, seeds: int) -> tuple[float, float]:
    """Return the exact 95 % interval of a lot's share, both ends in percent.

    Source:
        [CLOPPER-PEARSON].
    """
    from scipy.stats import binomtest

    found = binomtest(germinated, seeds).proportion_ci(confidence_level=0.95, method="exact")
    return 100 * float(found.low), 100 * float(found.high)


def judge(germinated: int, seeds: int, label_pct: float | None) -> Germination:
    """Return what a test tells.

    It differs from the label where both are further apart than the tolerance; a test of fewer than 400 seeds is coarser
    than the tolerance is meant for, so the label must lie outside its interval too (our choice).

    Args:
        germinated: Seeds that germinated, 0 to ``seeds``.
        seeds: Seeds that were laid out, at least 1.
        label_pct: What the label says. [%]
    """
    share = 100 * germinated / seeds
    low, high = interval(germinated, seeds)
    if label_pct is None:
        return Germination(
            share_pct=share, low_pct=low, high_pct=high, label_pct=None, tolerance_pct=None, differs=None
        )
    allowed = tolerance((share + label_pct) / 2)
    outside = seeds >= FULL_TEST or not low <= label_pct <= high
    return Germination(
        share_pct=share,
        low_pct=low,
        high_pct=high,
        label_pct=label_pct,
        tolerance_pct=allowed,
        differs=abs(share - label_pct) > allowed and outside,
    )
