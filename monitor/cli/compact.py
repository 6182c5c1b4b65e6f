"""``traywarden compact``: older readings packed into files now, as the monitor does by itself every night."""

from __future__ import annotations

import click

from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError


@click.command(epilog="Example: traywarden compact")
@json_option
@click.pass_obj
def compact(context: Context) -> None:
    """Pack older readings into files, as the running monitor does once a day by itself.

    It may be stopped at any moment, and called while the monitor runs.
    """
    from monitor.housekeeping import keep_house
    from monitor.stores.opening import open_readings
    from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore

    farm = context.farm()
    store = open_readings(farm)
    try:
        if not isinstance(store, SqliteReadingStore):
            raise RefusedError("this farm's readings are in InfluxDB, which packs them by itself; nothing to do here")
        done = keep_house(store, farm.storage, context.clock(), at_once=True)
        files = store.history()
    finally:
        store.close()
    assert done.compacted is not None
    rows_bytes = (farm.storage.folder / READINGS_FILE).stat().st_size
    readings, size = sum(each.readings for each in files), sum(each.size for each in files)
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.compact/1",
                "moved": done.compacted.readings,
                "files_written": done.compacted.files,
                "bytes_written": done.compacted.size,
                "let_go": done.let_go,
                "history": {"files": len(files), "readings": readings, "bytes": size},
                "readings_file_bytes": rows_bytes,
            }
        )
    context.echo(f"{done.compacted.readings} readings packed, {done.compacted.files} files written.")
    if done.let_go:
        context.echo(f"{done.let_go} readings let go: keep_raw_days in farm.toml; their 5-minute values stay.")
    context.echo(
        f"Packed in all: {readings} readings in {len(files)} files, {size / 1e6:.1f} MB; "
        f"{READINGS_FILE} is {rows_bytes / 1e6:.1f} MB."
    )
