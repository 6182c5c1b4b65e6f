"""``traywarden backup`` and ``traywarden restore``."""

from __future__ import annotations

from pathlib import Path

import click

from monitor import backup as copies
from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.stores.historycopy import is_history
from monitor.stores.photos import is_photo
from monitor.stores.sqlite import HISTORY_FOLDER


def _facts(schema: str, path: Path, manifest: copies.Manifest) -> dict[str, object]:
    """Return what a backup holds as the documented JSON."""
    return {
        "schema": schema,
        "file": str(path),
        "made_at": manifest.made_at.isoformat(),
        "files": {name: {"sha256": digest, "rows": rows} for name, (digest, rows) in manifest.files.items()},
        "amiss": list(manifest.amiss),
    }


def _tell(context: Context, manifest: copies.Manifest, how: str) -> None:
    """Say what a backup holds: each database, the files of packed readings together, and what was amiss."""
    packed = [rows for name, (_, rows) in manifest.files.items() if is_history(name)]
    for name, (_, rows) in manifest.files.items():
        if not is_history(name) and not is_photo(name):
            context.echo(f"{name}: {rows} rows{how}")
    if packed:
        context.echo(f"{HISTORY_FOLDER}: {sum(packed)} readings in {len(packed)} files{how}")
    photos = sum(is_photo(name) for name in manifest.files)
    if photos:
        context.echo(f"photos: {photos}{how}")
    for said in manifest.amiss:
        context.warn(f"AMISS: {said}; an older backup may still have it whole")


@click.command(epilog="Example: traywarden backup /mnt/stick/saltcellar-2026-03-02.zip")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@json_option
@click.pass_obj
def backup(context: Context, file: Path) -> None:
    """Copy ledger and readings into one file; the monitor may go on running."""
    storage = context.farm().storage
    write = copies.ledger_steps(storage, lambda: context.ledger().engine).write
    manifest = copies.backup(storage.folder, file, now=context.clock(), write_ledger=write)
    if context.as_json:
        context.echo_json(_facts("traywarden.backup/1", file, manifest))
    _tell(context, manifest, "")
    if storage.influx is not None:
        context.echo(
            f"Readings that lie in the InfluxDB at {storage.influx.url} are not in it: back that up by its own means, "
            "or copy them here first with `traywarden migrate sqlite`."
        )
    context.echo(f"Written to {file}. Keep it on another disk; farm.toml and your own profiles are not in it.")


@click.command(epilog="Example: traywarden restore /mnt/stick/saltcellar-2026-03-02.zip --overwrite")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--overwrite", is_flag=True, help="Put databases that are there aside, under dated names.")
@json_option
@click.pass_obj
def restore(context: Context, file: Path, overwrite: bool) -> None:
    """Check a backup and put it in place; stop the monitor first."""
    farm = context.farm()
    load = copies.ledger_steps(farm.storage, lambda: context.ledger().engine).load
    folder, now = farm.storage.folder, context.clock()
    manifest = copies.restore(file, folder, now=now, overwrite=overwrite, load_ledger=load)
    if context.as_json:
        context.echo_json(_facts("traywarden.restore/1", file, manifest))
    _tell(context, manifest, ", checked")
    context.echo(f"Restored as of {say_time(manifest.made_at, farm.zone)} into {farm.storage.folder}.")
