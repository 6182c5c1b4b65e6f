"""A season's batches by crop, seed lot, place and month: how they came out, with exact tests; pure.

Each group is held against the other batches of the same crop: poor or good by Fisher's exact test, yield and days by
the Mann-Whitney test. All chances of one table are corrected for their number by Holm's method. They describe what was
sown where by a person who had reasons for it: they are no trial, and a group that stands out is a question.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from monitor.batches import Batch
from monitor.clock import local_day
from monitor.comparison import holm
from monitor.germination import interval
from monitor.ledger import EntryKind
from monitor.outcomes import Judged, Outcome

FEW = 6
"""A group of fewer judged batches is shown as small. Ours."""
CAVEAT = (
    "Exact tests, corrected for their number in each table (Holm). What stood where was nobody's trial: lots, places "
    "and months went together with crops, weather and hands. A small chance is a reason to sow two lots side by side, "
    "not a verdict; with few batches a large chance clears nobody."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonBatch:
    """One batch as a season counts it.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        lot: Seed lot; None: nobody said.
        place: The shelf, or the place that was said; None: nobody said.
        sown_on: Local day of sowing.
        outcome: How it turned out.
        water_ml: Water poured on a tray by the entries; None: no amount was entered. [ml]
    """

    batch: str
    crop: str
    lot: str | None
    place: str | None
    sown_on: date
    outcome: Outcome
    water_ml: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRow:
    """One group of a season's batches.

    Attributes:
        crop: Profile id.
        group: What they share; empty: all of the crop.
        batches: How many.
        good: How many came good.
        poor: How many came out poorly.
        poor_95: Exact 95 % interval of the share that is poor; None: none was judged. [%]
        yield_g: Middle yield of a nominal tray; None: none was weighed. [g]
        days: Middle days to the cut; None: none was cut.
        water_ml: Middle water a tray; None: no amount was entered. [ml]
        poor_chance: Fisher's exact chance against the crop's other batches, corrected; None: nothing to compare.
        yield_chance: Mann-Whitney chance of the yields likewise.
        days_chance: Mann-Whitney chance of the days likewise.
    """

    crop: str
    group: str
    batches: int
    good: int
    poor: int
    poor_95: tuple[float, float] | None
    yield_g: float | None
    days: float | None
    water_ml: float | None
    poor_chance: float | None = None
    yield_chance: float | None = None
    days_chance: float | None = None

    @property
    def is_small(self) -> bool:
        """Tell whether too few were judged to say much."""
        return self.good + self.poor < FEW


@dataclass(frozen=True, slots=True, kw_only=True)
class StandPoint:
    """The stand of one batch of a lot.

    Attributes:
        lot: Seed lot.
        crop: Profile id.
        sown_on: Local day of sowing.
        batch: Batch id.
        stand: Stand, 0 to 5.
    """

    lot: str
    crop: str
    sown_on: date
    batch: str
    stand: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A season's batches by what they share.

    Attributes:
        first: First local day of sowing that counts.
        last: Last local day of sowing that counts.
        crops: By crop.
        lots: By crop and seed lot.
        places: By crop and shelf.
        months: By crop and month of sowing.
        stands: Stand of each batch of each lot, by day of sowing.
    """

    first: date
    last: date
    crops: tuple[GroupRow, ...]
    lots: tuple[GroupRow, ...]
    places: tuple[GroupRow, ...]
    months: tuple[GroupRow, ...]
    stands: tuple[StandPoint, ...]


def water_of(batch: Batch) -> float | None:
    """Return the water poured on a tray of a batch by its entries; None: no amount was entered. [ml]."""
    amounts = [entry.data.get("ml_per_tray") for entry in batch.entries if entry.kind is EntryKind.WATERED]
    known = [float(each) for each in amounts if each is not None]
    return sum(known) if known else None


def season_batch(batch: Batch, outcome: Outcome, place: str | None, zone: ZoneInfo) -> SeasonBatch | None:
    """Return a batch as a season counts it; None: it was not sown."""
    if batch.sown_at is None:
        return None
    return SeasonBatch(
        batch=batch.id,
        crop=batch.crop,
        lot=batch.lot,
        place=place,
        sown_on=local_day(batch.sown_at, zone),
        outcome=outcome,
        water_ml=water_of(batch),
    )


def season_of(batches: Iterable[SeasonBatch], first: date, last: date) -> Season:
    """Return the season of the batches sown from one local day to another."""
    inside = sorted((each for each in batches if first <= each.sown_on <= last), key=lambda each: each.sown_on)
    return Season(
        first=first,
        last=last,
        crops=_table(inside, lambda each: ""),
        lots=_table(inside, lambda each: each.lot),
        places=_table(inside, lambda each: each.place),
        months=_table(inside, lambda each: f"{each.sown_on:%Y-%m}"),
        stands=tuple(
            StandPoint(
                lot=each.lot, crop=each.crop, sown_on=each.sown_on, batch=each.batch, stand=each.outcome.stand
            )
            for each in sorted(inside, key=lambda each: (each.crop, each.lot or "", each.sown_on))
            if each.lot is not None and each.outcome.stand is not None
        ),
    )  # fmt: skip


def _table(batches: Sequence[SeasonBatch], by: Callable[[SeasonBatch], str | None]) -> tuple[GroupRow, ...]:
    """Return one row for each crop and group, with chances corrected over the whole table."""
    groups: dict[tuple[str, str], list[SeasonBatch]] = {}
    for each in batches:
        group = by(each)
        if group is not None:
            groups.setdefault((each.crop, group), []).append(each)
    rows = []
    for (crop, group), mine in sorted(groups.items()):
        names = {each.batch for each in mine}
        rest = [each for each in batches if each.crop == crop and each.batch not in names] if group else []
        rows.append(_row(crop, group, mine, rest))
    return tuple(_corrected(rows))


def _row(crop: str, group: str, mine: Sequence[SeasonBatch], rest: Sequence[SeasonBatch]) -> GroupRow:
    """Return one group, with its chances as they are."""
    good, poor = (_count(mine, judged) for judged in (Judged.GOOD, Judged.POOR))
    other_good, other_poor = (_count(rest, judged) for judged in (Judged.GOOD, Judged.POOR))
    yields, other_yields = (_known(each.outcome.yield_g for each in part) for part in (mine, rest))
    days, other_days = (_known(each.outcome.days for each in part) for part in (mine, rest))
    water = _known(each.water_ml for each in mine)
    return GroupRow(
        crop=crop,
        group=group,
        batches=len(mine),
        good=good,
        poor=poor,
        poor_95=interval(poor, good + poor) if good + poor else None,
        yield_g=median(yields) if yields else None,
        days=median(days) if days else None,
        water_ml=median(water) if water else None,
        poor_chance=fisher(poor, good, other_poor, other_good),
        yield_chance=mann_whitney(yields, other_yields),
        days_chance=mann_whitney(days, other_days),
    )


def _count(batches: Sequence[SeasonBatch], judged: Judged) -> int:
    """Return how many batches count so."""
    return sum(each.outcome.judged is judged for each in batches)


def _known(values: Iterable[float | None]) -> list[float]:
    """Return the values that are known."""
    return [float(each) for each in values if each is not None]


def fisher(poor: int, good: int, other_poor: int, other_good: int) -> float | None:
    """Return Fisher's exact two-sided chance of a table of two by two; None: a side is empty. Source: [SCIPY]."""
    if poor + good == 0 or other_poor + other_good == 0:
        return None
    from scipy.stats import fisher_exact

    return float(fisher_exact([[poor, good], [other_poor, other_good]]).pvalue)


def mann_whitney(values: Sequence[float], others: Sequence[float]) -> float | None:
    """Return the two-sided Mann-Whitney chance; None: a side is empty. Source: [SCIPY].

    Exact where no values are equal, else by permutation.
    """
    if not values or not others:
        return None
    from scipy.stats import PermutationMethod, mannwhitneyu

    if len({*values, *others}) == len(values) + len(others):
        return float(mannwhitneyu(values, others, method="exact").pvalue)
    if len({*values, *others}) == 1:
        return 1.0
    by_permutation = PermutationMethod(n_resamples=9999, random_state=0)
    return float(mannwhitneyu(values, others, method=by_permutation).pvalue)


def _corrected(rows: Sequence[GroupRow]) -> list[GroupRow]:
    """Return rows with all chances of the table corrected for their number."""
    asked = [
        (place, name, getattr(row, name))
        for place, row in enumerate(rows)
        for name in ("poor_chance", "yield_chance", "days_chance")
        if getattr(row, name) is not None
    ]
    found = list(rows)
    for (place, name, _), chance in zip(asked, holm([each for _, _, each in asked]), strict=True):
        changed: dict[str, Any] = {name: chance}
        found[place] = replace(found[place], **changed)
    return found
