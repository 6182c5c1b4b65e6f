"""A season, and the way of a lot or batch, gathered from the book for commands and pages alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from dashboards.lookback import shelf_of
from monitor.batches import Batch
from monitor.errors import NotFoundError, RefusedError
from monitor.farm import Farm
from monitor.ledger import Entry
from monitor.outcomes import outcome_of
from monitor.profiles import Profile
from monitor.reviewrecord import main_part
from monitor.season import Season, season_batch, season_of
from monitor.timewords import read_day
from monitor.trace import Trace, trace_batch, trace_lot


def season_days(first: str | None, last: str | None, today: date) -> tuple[date, date]:
    """Return the days of sowing that are meant: up to today, and a year back, where nothing is said.

    Raises:
        RefusedError: The first lies after the last.
    """
    to_on = read_day(last, today=today, ahead=False) if last else today
    from_on = read_day(first, today=today, ahead=False) if first else to_on - timedelta(days=365)
    if from_on > to_on:
        raise RefusedError(f"{from_on.isoformat()} lies after {to_on.isoformat()}; give the first day, then the last")
    return from_on, to_on


def season_made(
    farm: Farm, profiles: Mapping[str, Profile], batches: Mapping[str, Batch], from_on: date, to_on: date
) -> Season:
    """Return how the batches that were sown on some days came out."""
    rows = []
    for batch in batches.values():
        outcome = outcome_of(
            batch, profiles.get(batch.crop), tray_scale=farm.tray_size(batch.tray_kind), zone=farm.zone
        )
        part = main_part(batch)
        row = season_batch(batch, outcome, shelf_of(farm, part.spot) if part and part.spot else None, farm.zone)
        rows += [row] if row is not None else []
    return season_of(rows, from_on, to_on)


def trace_made(
    entries: Sequence[Entry], batches: Mapping[str, Batch], now: datetime, *, lot: str | None, batch: str | None
) -> Trace:
    """Return the way of a seed lot or of a batch, as far as it was entered.

    Raises:
        RefusedError: Neither or both are named.
        NotFoundError: There is none of that name.
    """
    if (lot is None) == (batch is None):
        raise RefusedError("say one of them: traywarden trace --lot R-77, or traywarden trace --batch 12")
    known = tuple(entry for entry in entries if entry.at <= now)
    if lot is not None:
        found = trace_lot(lot, known, batches, now)
        if not found.batches and not found.lots:
            raise NotFoundError(f"no seed lot {lot!r} was entered or sown; `traywarden lots` lists them")
        return found
    if batch not in batches:
        raise NotFoundError(f"there is no batch {batch!r}; `traywarden batches --all` lists them")
    return trace_batch(batches[str(batch)], known, batches, now)
