"""``traywarden season`` and ``trace``: many batches together, and the way of one lot or batch."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import Context, json_option
from monitor.clock import local_day
from monitor.fold import fold_as_of


@click.command(epilog="Example: traywarden season --from 2026-03-01 --html season.html")
@click.option("--from", "first", metavar="DAY", help="First day of sowing; else a year back.")
@click.option("--to", "last", metavar="DAY", help="Last day of sowing; else today.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the tables.")
@json_option
@click.pass_obj
def season(context: Context, first: str | None, last: str | None, html: Path | None, csv_file: Path | None) -> None:
    """Say how a season's batches came out, by crop, seed lot, place and month, with exact tests."""
    from dashboards.seasonmake import season_days, season_made
    from dashboards.seasonpage import NOT_SOLD, render, season_json, season_tables, text_lines, to_csv
    from monitor.cli.records import write_file
    from monitor.season import CAVEAT

    farm, profiles, now = context.farm(), context.profiles(), context.clock()
    from_on, to_on = season_days(first, last, local_day(now, farm.zone))
    found = season_made(farm, profiles, fold_as_of(context.ledger().entries(), now), from_on, to_on)
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


@click.command(epilog="Example: traywarden trace --lot R-77 --html trace.html --csv trace.csv")
@click.option("--lot", help="The seed lot.")
@click.option("--batch", help="The batch.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the tables.")
@json_option
@click.pass_obj
def trace(context: Context, lot: str | None, batch: str | None, html: Path | None, csv_file: Path | None) -> None:
    """List all that a recall needs of a seed lot or a batch: one step back, one step forward, what is still here."""
    from dashboards.seasonmake import trace_made
    from dashboards.seasonpage import NO_NOTICE, render, text_lines, to_csv, trace_json, trace_tables
    from monitor.cli.records import write_file

    farm, entries, now = context.farm(), context.ledger().entries(), context.clock()
    found = trace_made(entries, fold_as_of(entries, now), now, lot=lot, batch=batch)
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
