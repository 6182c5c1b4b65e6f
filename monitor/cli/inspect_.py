"""``traywarden inspect``: whether what is kept is whole, and how long the disk will do."""

from __future__ import annotations

import sys
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Any

import click
from click.termui import progressbar

from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError

if TYPE_CHECKING:
    from monitor.farm import Farm
    from monitor.inspection import Disk, SeriesState

_SHOWN_GAPS = 3


def _span(length: timedelta) -> str:
    """Return a length of time in words."""
    hours = length / timedelta(hours=1)
    return f"{hours / 24:.1f} d" if hours >= 48 else f"{hours:.1f} h" if hours >= 1 else f"{hours * 60:.0f} min"


def _tell_series(context: Context, farm: Farm, state: SeriesState, days: int) -> None:
    """Say how one sensor did."""
    if state.readings == 0:
        last = f"; the last was {say_time(state.last_at, farm.zone)}" if state.last_at else ""
        context.echo(f"{state.sensor}: no reading in {days} days{last}")
        return
    good = f"{100 * (state.good_share or 0):.1f} % good"
    context.echo(
        f"{state.sensor}: {state.readings} readings, {good}, heard {100 * (state.heard_share or 0):.1f} % of the time"
    )
    for gap in state.gaps[:_SHOWN_GAPS]:
        span = f"{say_time(gap.start, farm.zone)} to {say_time(gap.end, farm.zone)}"
        context.echo(f"  gap of {_span(gap.end - gap.start)}: {span}")
    if len(state.gaps) > _SHOWN_GAPS:
        context.echo(f"  and {len(state.gaps) - _SHOWN_GAPS} shorter gaps (--json lists all)")
    for count, words in (
        (state.clock_ahead, "from a device whose clock was ahead; arrival time used"),
        (state.clock_behind, "from a device whose clock was far behind; arrival time used"),
        (state.arrival_time, "without a time of their own; arrival time used"),
        (state.in_future, "lie ahead of now: was this machine's clock wrong, or the file's zone?"),
    ):
        if count:
            context.echo(f"  {count} readings {words}")


def _tell_disk(context: Context, disk: Disk) -> None:
    """Say how much room there is."""
    packed = f"{disk.packed_readings} readings packed in {disk.packed_bytes / 1e6:.1f} MB"
    context.echo(f"{packed}; readings.db {disk.rows_bytes / 1e6:.1f} MB; {disk.free_bytes / 1e9:.1f} GB free.")
    if disk.days_left is not None:
        long = f"{disk.days_left / 365:.0f} years" if disk.days_left > 730 else f"{disk.days_left:.0f} days"
        pace = f"{disk.readings_a_day:.0f} readings a day take {disk.bytes_a_day * 365 / 1e6:.1f} MB a year"
        context.echo(f"{pace}: the disk will do for {long}, if nothing else fills it.")


def _series_facts(state: SeriesState) -> dict[str, Any]:
    """Return one sensor's state as the documented JSON."""
    return {
        "sensor": state.sensor,
        "readings": state.readings,
        "good_share": state.good_share,
        "heard_share": state.heard_share,
        "gaps": [{"from": gap.start.isoformat(), "to": gap.end.isoformat()} for gap in state.gaps],
        "arrival_time": state.arrival_time,
        "clock_ahead": state.clock_ahead,
        "clock_behind": state.clock_behind,
        "in_future": state.in_future,
        "last_at": state.last_at.isoformat() if state.last_at else None,
    }


def _disk_facts(disk: Disk) -> dict[str, Any]:
    """Return the room as the documented JSON."""
    return {
        "readings_file_bytes": disk.rows_bytes,
        "packed_bytes": disk.packed_bytes,
        "packed_readings": disk.packed_readings,
        "free_bytes": disk.free_bytes,
        "readings_a_day": round(disk.readings_a_day, 1),
        "bytes_a_day": round(disk.bytes_a_day, 1),
        "days_left": None if disk.days_left is None else round(disk.days_left, 1),
    }


@click.command("inspect", epilog="Example: traywarden inspect --days 90 --deep")
@click.option("--days", type=click.IntRange(1, 3650), default=30, show_default=True, help="How many days to look back.")
@click.option(
    "--gap", type=click.IntRange(5, 100_000), default=60, show_default=True, help="Gaps longer than this. [min]"
)
@click.option("--deep", is_flag=True, help="Read every packed file whole, and the databases more thoroughly.")
@json_option
@click.pass_obj
def inspect_(context: Context, days: int, gap: int, deep: bool) -> None:
    """Look over what is kept: damaged or missing files, gaps, clock trouble, and how long the disk will do.

    Nothing is changed. Exit status 1 where something is damaged or missing.
    """
    from monitor import inspection
    from monitor.stores.engine import LEDGER_FILE
    from monitor.stores.opening import open_readings
    from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore

    farm, now = context.farm(), context.clock()
    folder = farm.storage.folder
    amiss = inspection.check_databases(folder, (LEDGER_FILE, READINGS_FILE), deep=deep)
    series, disk = [], None
    if not any(said.startswith(READINGS_FILE) for said in amiss):
        store = open_readings(farm)
        try:
            sensors = store.sensors()
            files = store.history() if isinstance(store, SqliteReadingStore) else []
            with progressbar(length=len(files) + len(sensors), label="Looking", file=sys.stderr) as bar:
                amiss += inspection.check_files(folder, files, deep=deep, step=lambda: bar.update(1))
                for name in sensors:
                    look = partial(inspection.look_at_series, store, name, now - timedelta(days=days), now)
                    state, why = inspection.readable(partial(look, longest=timedelta(minutes=gap)), name)
                    series.append(state)
                    amiss += [why] if why else []
                    bar.update(1)
            if isinstance(store, SqliteReadingStore):
                firsts = [state.first_at for state in series if state.first_at is not None]
                span = max((now - min(firsts, default=now)) / timedelta(days=1), 1.0)
                disk = inspection.look_at_disk(store, folder, sum(each.readings for each in series), span)
        finally:
            store.close()
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.inspect/1",
                "at": now.isoformat(),
                "days": days,
                "amiss": amiss,
                "sensors": [_series_facts(state) for state in series],
                "disk": None if disk is None else _disk_facts(disk),
            }
        )
    for said in amiss:
        context.echo(f"AMISS: {said}")
    for state in series:
        _tell_series(context, farm, state, days)
    if disk is not None:
        _tell_disk(context, disk)
    if amiss:
        raise RefusedError(f"{len(amiss)} things amiss; see above")
    context.echo("Nothing is damaged or missing." if deep else "Nothing is missing (--deep reads every file whole).")
