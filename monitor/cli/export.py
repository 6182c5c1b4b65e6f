"""``traywarden export``: readings into a file that others can read."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import click
from click.termui import progressbar

from monitor.cli.common import Context, json_option
from monitor.errors import NotFoundError, RefusedError


def _format_of(path: Path, said: str | None) -> str:
    """Return the format that was asked for, or that the file's name ends in."""
    from monitor.exports import FORMATS

    if said is not None:
        return said
    for name, endings in FORMATS.items():
        if path.suffix.casefold() in endings:
            return name
    raise RefusedError(f"{path.name} does not end in .csv, .parquet or .senml; say --format csv, parquet or senml")


@click.command(epilog="Example: traywarden export march.csv --sensor air-1 --from 2026-03-01 --to 2026-03-31")
@click.argument("path", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--format", "said", type=click.Choice(["csv", "parquet", "senml"]), help="By the file's ending if not given."
)
@click.option(
    "--sensor", "asked", multiple=True, metavar="SENSOR", help="Only this one; again for more. All if not given."
)
@click.option("--from", "from_", metavar="DAY", help="First local day; the farm's records_from if not given.")
@click.option("--to", metavar="DAY", help="Last local day; today if not given.")
@click.option("--overwrite", is_flag=True, help="Write over a file that is there.")
@json_option
@click.pass_obj
def export(
    context: Context,
    path: Path,
    said: str | None,
    asked: tuple[str, ...],
    from_: str | None,
    to: str | None,
    overwrite: bool,
) -> None:
    """Write readings to a file: CSV, Parquet or SenML (RFC 8428).

    `traywarden import FILE` brings all three in again; CSV and Parquet with every bit, flags included. SenML has no
    flags: only readings that can be relied on are written.
    """
    from datetime import time

    from monitor.clock import at_local, local_day
    from monitor.exports import Export, blocks_of, kind_of
    from monitor.stores.opening import open_readings
    from monitor.timewords import read_day

    farm, now = context.farm(), context.clock()
    file_format = _format_of(path, said)
    if path.exists() and not overwrite:
        raise RefusedError(f"{path} is there already; name another file, or say --overwrite")
    today = local_day(now, farm.zone)
    start = at_local(read_day(from_, today=today, ahead=False), time(), farm.zone) if from_ else farm.records_from
    last = read_day(to, today=today, ahead=False) if to else today
    end = at_local(last + timedelta(days=1), time(), farm.zone)
    if end <= start:
        raise RefusedError(f"--to {last} lies before --from; nothing to write")
    store = open_readings(farm)
    try:
        known = store.sensors()
        missing = [name for name in asked if name not in known]
        if missing:
            raise NotFoundError(f"no readings of {', '.join(missing)}; there are some of {', '.join(known) or 'none'}")
        written, left_out = 0, 0
        with Export(path, file_format) as writer, progressbar(length=len(asked or known), file=sys.stderr) as bar:
            previous = None
            for sensor, block in blocks_of(store, asked or known, start, end):
                count = writer.write(block, kind_of(sensor, farm.sensors))
                written, left_out = written + count, left_out + len(block) - count
                if sensor != previous:
                    bar.update(1)
                previous = sensor
        outside = 0 if asked or from_ or to else store.count() - written - left_out
    finally:
        store.close()
    facts = {
        "schema": "traywarden.export/1",
        "file": str(path),
        "format": file_format,
        "sensors": list(asked or known),
        "from": start.isoformat(),
        "to": end.isoformat(),
        "readings": written,
        "left_out": left_out,
        "outside": outside,
        "bytes": path.stat().st_size,
    }
    if context.as_json:
        context.echo_json(facts)
    context.echo(f"{path}: {written} readings of {len(asked or known)} sensors, {path.stat().st_size / 1e6:.1f} MB.")
    if left_out:
        context.warn(
            f"{left_out} readings were left out: SenML has no flags, and no unit for umol m-2 s-1; CSV has both"
        )
    if outside > 0:
        context.warn(f"{outside} readings lie before {start:%Y-%m-%d} or ahead of today; say --from and --to for them")
