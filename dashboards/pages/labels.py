"""The page from which tray labels and the wall sheet are printed; pure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta

from alerts.findings import Tick
from alerts.holding import hold_lines
from dashboards.labels import SHEETS
from dashboards.pages.plain import plain_lines
from monitor.amounts import say_day, say_list, say_trays
from monitor.batches import Batch
from monitor.clock import local_day

_FRESH = timedelta(hours=20)


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelLine:
    """One batch that labels can be printed for.

    Attributes:
        batch: Batch id.
        crop: What a grower calls it.
        says: Trays, place and sowing day, in words.
        trays: How many labels are offered.
        chosen: It is ticked already.
        on_hold: It is on hold.
    """

    batch: str
    crop: str
    says: str
    trays: int
    chosen: bool
    on_hold: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelsPage:
    """The page.

    Attributes:
        holds: What is on hold, said first.
        lines: The batches that stand, newest first.
        sizes: Sheets of labels as (size, words).
        is_reachable: A phone can open what the codes hold.
        days: How many days a wall sheet can have, as (number, words).
    """

    holds: tuple[str, ...]
    lines: tuple[LabelLine, ...]
    sizes: tuple[tuple[str, str], ...]
    is_reachable: bool
    days: tuple[tuple[str, str], ...]


def build_labels(tick: Tick, chosen: Collection[str] = (), *, is_reachable: bool) -> LabelsPage:
    """Return the page at a moment.

    Args:
        tick: The moment.
        chosen: Batches that are ticked; none: those sown in the last hours.
        is_reachable: A phone can reach the pages.
    """
    standing = [batch for batch in tick.batches.values() if batch.standing and batch.crop in tick.profiles]
    standing.sort(key=lambda batch: (batch.sown_at or tick.now, batch.id), reverse=True)
    sizes = tuple((each.id, f"{each.id} mm ({each.page})") for each in SHEETS.values())
    return LabelsPage(
        holds=tuple(plain_lines(line.strip(" !") for line in hold_lines(tick))),
        lines=tuple(_line(batch, chosen, tick) for batch in standing),
        sizes=sizes,
        is_reachable=is_reachable,
        days=tuple((str(each), "today" if each == 1 else f"{each} days") for each in (1, 2, 3, 5, 7, 14)),
    )


def _line(batch: Batch, chosen: Collection[str], tick: Tick) -> LabelLine:
    """Return one batch as a line."""
    farm = tick.farm
    trays = sum(part.trays for part in batch.standing)
    names = dict.fromkeys(farm.places.name(part.spot) for part in batch.standing if part.spot)
    where = f", {say_list(list(names))}" if names else ""
    sown = f", sown {say_day(local_day(batch.sown_at, farm.zone))}" if batch.sown_at else ""
    is_fresh = batch.sown_at is not None and tick.now - batch.sown_at <= _FRESH
    return LabelLine(
        batch=batch.id,
        crop=tick.profiles[batch.crop].name,
        says=f"{say_trays(trays)}{where}{sown}",
        trays=trays,
        chosen=batch.id in chosen if chosen else is_fresh,
        on_hold=bool(batch.holds),
    )
