"""``traywarden season`` and ``trace``: many batches together, and the way of one lot or batch."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import click

from monitor.cli.common import Context, json_option
from monitor.clock import local_day
from monitor.errors import NotFoundError, RefusedError
from monitor.fold import fold_as_of
from monitor.outcomes import outcome_of
from monitor.timewords import read_day


@click.command(epilog="Example: traywarden season --from 2026-03-01 --html season.html")
@click.option("--from", "first", metavar="DAY", help="First day of sowing; else a year back.")
@click.option("--to", "last", metavar="DAY", help="Last day of sowing; else today.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the tables.")
@json_option
@click.pass_obj
def season(context: Context, first: str | None, last: str | None, html: Path | None, csv_file: Path | None) -> None:
    """Say how a season's batches came out, by crop, seed lot, place and month, with exact tests."""
    from dashboards.lookback import shelf_of
    from dashboards.seasonpage import NOT_SOLD, render, season_json, season_tables, text_lines, to_csv
    from monitor.cli.records import write_file
    from monitor.reviewrecord import main_part
    from monitor.season import CAVEAT, season_batch, season_of

    farm, profiles, now = context.farm(), context.profiles(), context.clock()
    today = local_day(now, farm.zone)
    from_on, to_on = _days(first, last, today)
    rows = []
    for batch in fold_as_of(context.ledger().entries(), now).values():
        outcome = outcome_of(
            batch, profiles.get(batch.crop), tray_scale=farm.tray_size(batch.tray_kind), zone=farm.zone
        )
        part = main_part(batch)
        place = shelf_of(farm, part.spot) if part and part.spot else None
        row = season_batch(batch, outcome, place, farm.zone)
        rows += [row] if row is not None else []
    found = season_of(rows, from_on, to_on)
    tables = season_tables(found, farm, profiles)
    title = f"Season {from_on.isoformat()} to {to_on.isoformat()}"
    written = [write_file(html, render(title, farm, now, tables, [CAVEAT, NOT_SOLD]))] if html is not None else []
    written += [write_file(csv_file, to_csv(tables))] if csv_file is not None else []
    if context.as_json:
        context.echo_json({**season_json(found), "files": written})
        return
    for line in [] if written else [title, *text_lines(tables), "", CAVEAT, NOT_SOLD]:
        context.echo(line)
    for path in written:
        context.echo(f"Written: {path}")


def _days(first: str | None, last: str | None, today: date) -> tuple[date, date]:
    """Return the days that are meant.

    Raises:
        RefusedError: The first lies after the last.
    """
    to_on = today if last is None else read_day(last, today=today, ahead=False)
    from_on = to_on - timedelta(days=365) if first is None else read_day(first, today=today, ahead=False)
    if from_on > to_on:
        raise RefusedError(f"{from_on.isoformat()} lies after {to_on.isoformat()}; give the first day, then the last")
    return from_on, to_on


@click.command(epilog="Example: traywarden trace --lot R-77 --html trace.html --csv trace.csv")
@click.option("--lot", help="The seed lot.")
@click.option("--batch", help="The batch.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the tables.")
@json_option
@click.pass_obj
def trace(context: Context, lot: str | None, batch: str | None, html: Path | None, csv_file: Path | None) -> None:
    """List all that a recall needs of a seed lot or a batch: one step back, one step forward, what is still here."""
    from dashboards.seasonpage import NO_NOTICE, render, text_lines, to_csv, trace_json, trace_tables
    from monitor.cli.records import write_file
    from monitor.trace import trace_batch, trace_lot

    if (lot is None) == (batch is None):
        raise RefusedError("say one of them: traywarden trace --lot R-77, or traywarden trace --batch 12")
    farm, entries, now = context.farm(), context.ledger().entries(), context.clock()
    batches = fold_as_of(entries, now)
    entries = tuple(entry for entry in entries if entry.at <= now)
    if lot is not None:
        found = trace_lot(lot, entries, batches, now)
        if not found.batches and not found.lots:
            raise NotFoundError(f"no seed lot {lot!r} was entered or sown; `traywarden lots` lists them")
    else:
        if batch not in batches:
            raise NotFoundError(f"there is no batch {batch!r}; `traywarden batches --all` lists them")
        found = trace_batch(batches[str(batch)], entries, batches, now)
    tables = trace_tables(found, farm, context.profiles())
    title = f"Trace of {found.asked}"
    written = [write_file(html, render(title, farm, now, tables, [NO_NOTICE]))] if html is not None else []
    written += [write_file(csv_file, to_csv(tables))] if csv_file is not None else []
    if context.as_json:
        context.echo_json({**trace_json(found), "files": written})
        return
    for line in [] if written else [title, *text_lines(tables), "", NO_NOTICE]:
        context.echo(line)
    for path in written:
        context.echo(f"Written: {path}")
