"""The page from which batches are judged and looked back on; pure."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.findings import Tick
from alerts.holding import hold_lines
from dashboards.pages.plain import plain_lines
from monitor.amounts import say_day, say_trays
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.judging import NOT_SOLD
from monitor.outcomes import SIGNS, WENT, Judged, Outcome, outcome_of

MOST = 60
"""So many batches are listed at most. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBackLine:
    """One batch that can be looked back on.

    Attributes:
        batch: Batch id.
        crop: What a grower calls it.
        says: Trays, sowing day and lot, in words.
        outcome: How it turned out, in words.
        is_poor: It counts as poor.
        is_open: Nobody has judged it so far.
    """

    batch: str
    crop: str
    says: str
    outcome: str
    is_poor: bool
    is_open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBacksPage:
    """The page.

    Attributes:
        holds: What is on hold, said first.
        lines: Batches, those that came out poorly first, then the newest.
        signs: (word, what is meant) of what can be seen on a tray.
        ways: How a batch leaves.
        care: Said at the foot.
    """

    holds: tuple[str, ...]
    lines: tuple[LookBackLine, ...]
    signs: tuple[tuple[str, str], ...]
    ways: tuple[str, ...]
    care: str


def build_lookbacks(tick: Tick) -> LookBacksPage:
    """Return the page at a moment."""
    farm = tick.farm
    rows = [
        (
            batch,
            outcome_of(
                batch, tick.profiles[batch.crop], tray_scale=farm.tray_size(batch.tray_kind), zone=farm.zone
            ),
        )
        for batch in tick.batches.values()
        if batch.sown_at is not None and batch.crop in tick.profiles
    ]  # fmt: skip
    rows.sort(key=lambda row: row[0].sown_at or tick.now, reverse=True)
    rows.sort(key=lambda row: row[1].judged is not Judged.POOR)
    return LookBacksPage(
        holds=tuple(plain_lines(hold_lines(tick))),
        lines=tuple(_line(batch, outcome, tick) for batch, outcome in rows[:MOST]),
        signs=tuple(SIGNS.items()),
        ways=WENT,
        care=NOT_SOLD,
    )


def _line(batch: Batch, outcome: Outcome, tick: Tick) -> LookBackLine:
    """Return one batch's line."""
    sown_at = batch.sown_at or tick.now
    lot = f", lot {batch.lot}" if batch.lot else ""
    said = [f"stand {outcome.stand:g} of 5"] if outcome.stand is not None else []
    said += [f"{outcome.lost} of {say_trays(outcome.sown)} thrown away"] if outcome.lost else []
    said += list(outcome.signs)
    judged = {Judged.POOR: "poor", Judged.GOOD: "good", Judged.UNSAID: "not judged"}[outcome.judged]
    return LookBackLine(
        batch=batch.id,
        crop=tick.profiles[batch.crop].name.lower(),
        says=f"{say_trays(batch.sown)}, sown {say_day(local_day(sown_at, tick.farm.zone))}{lot}",
        outcome=f"{judged}{': ' + ', '.join(said) if said else ''}",
        is_poor=outcome.judged is Judged.POOR,
        is_open=outcome.judged is Judged.UNSAID and batch.is_over,
    )
