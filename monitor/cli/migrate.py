"""``traywarden migrate``: readings from the SQLite file into InfluxDB, or back."""

from __future__ import annotations

import sys
from contextlib import closing

import click
from click.termui import progressbar

from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError


@click.command(epilog="Example: traywarden migrate influx")
@click.argument("to", metavar="sqlite|influx", type=click.Choice(["sqlite", "influx"]))
@click.option("--again", is_flag=True, help="Begin anew instead of going on where the last run ended.")
@json_option
@click.pass_obj
def migrate(context: Context, to: str, again: bool) -> None:
    """Copy all readings from the SQLite file into the InfluxDB of farm.toml, or back into the file.

    Nothing is taken away where they come from. Each month is read back and compared before the next. Broken off, it
    goes on where it was; done, it copies what came since, and what was corrected or came in late. Stop the monitor
    first, or run it once more afterwards.
    """
    from monitor import migrating
    from monitor.stores.opening import open_influx, open_readings, quarantine_store

    farm = context.farm()
    settings = farm.storage.influx
    if settings is None:
        raise RefusedError("farm.toml has no [storage.influx], which says where the InfluxDB is; put it in until done")
    if to == "sqlite":
        with closing(open_readings(farm)) as waiting:
            waiting.count()  # sends what still waits in the spool, or says why it cannot
    way = f"{to} {settings.url} {settings.database}"
    progress = migrating.Progress(farm.storage.folder / migrating.PROGRESS_FILE, way)
    if again:
        progress.end()
    with closing(quarantine_store(farm)) as sqlite, closing(open_influx(farm, settings)) as influx:
        source, target = (sqlite, influx) if to == "influx" else (influx, sqlite)
        with progressbar(length=1000, label=f"Copying to {to}", file=sys.stderr) as bar:

            def tell(done: int, months: int) -> None:
                bar.update(round(1000 * done / months) - bar.pos)

            moved = migrating.migrate(source, target, progress, tell=tell)
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.migrate/1",
                "to": to,
                "from_on": moved.from_on.isoformat(),
                "copied": moved.copied,
                "found": moved.found,
                "late": moved.late,
                "source_readings": moved.source,
                "target_readings": moved.target,
            }
        )
    else:
        late = (
            f"; {moved.late} of them came in late, or were corrected, after their month was copied"
            if moved.late
            else ""
        )
        context.echo(
            f"{moved.copied} readings copied from {moved.from_on:%B %Y} on, each found again in the target{late}. "
            f"The source keeps {moved.source}, the target {moved.target}."
        )
    if moved.target < moved.source:
        raise RefusedError(
            f"the target has {moved.source - moved.target} readings less than the source; run it again with --again"
        )
    if not context.as_json:
        context.echo(_next_step(to))


def _next_step(to: str) -> str:
    """Return what is to be done now."""
    if to == "sqlite":
        return "Take [storage.influx] out of farm.toml and start the monitor again: it keeps readings in the file then."
    return "Start the monitor again: with [storage.influx] in farm.toml it keeps readings there. readings.db stays."
