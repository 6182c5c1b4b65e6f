"""``traywarden import``: readings out of a logger's file, of what ``traywarden export`` wrote, or of a SenML pack."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click
from click.termui import progressbar

from monitor.cli.common import Context, json_option
from monitor.errors import NotFoundError, RefusedError

if TYPE_CHECKING:
    from collectors.csvfile import Manner, Tally, Wish
    from collectors.pipeline import Calibrate
    from monitor.farm import Farm
    from monitor.readings import Block
    from monitor.stores.protocol import ReadingStore

_SHOWN_ERRORS = 20
_AT_ONCE = 5_000  # readings


def _zone(said: str | None, farm: Farm) -> ZoneInfo | None:
    """Return the zone that a person names; ``farm`` is the farm's own."""
    if said is None:
        return None
    if said == "farm":
        return farm.zone
    try:
        return ZoneInfo(said)
    except (ZoneInfoNotFoundError, ValueError) as exc:
        raise RefusedError(f"no time zone {said!r}; give one like Europe/Madrid, UTC, or farm") from exc


def _columns(said: tuple[str, ...], farm: Farm) -> dict[str, Any]:
    """Return column -> (sensor, factor, offset) for what --map says."""
    from collectors.csvfile import sensors_named
    from monitor.units import factor_and_offset

    columns = {}
    for column, (sensor_id, unit) in sensors_named(said).items():
        sensor = farm.sensors.get(sensor_id)
        if sensor is None:
            known = ", ".join(farm.sensors) or "none yet"
            raise NotFoundError(f"no sensor {sensor_id!r} in farm.toml; there are: {known}")
        factor, offset = factor_and_offset(unit or sensor.unit, sensor.quantity)
        columns[column] = (sensor, factor, offset)
    return columns


def _calibrations(context: Context) -> Calibrate:
    """Return what corrects a sensor's value by the calibration of its day."""
    from monitor.calibration import as_of_its_day, calibrations_of

    made = calibrations_of(context.ledger().entries())
    return lambda sensor, value, at_ms: as_of_its_day(made, sensor.id, value, at_ms)


def _bring_in(
    path: Path, wish: Wish, manner: Manner, store: ReadingStore, context: Context, calibrate: Calibrate
) -> tuple[Tally, int]:
    """Read a file with a progress bar, flag and store its readings; return what came of it, and how many are new."""
    from collectors import csvfile
    from collectors.late import flagged_late
    from collectors.pipeline import judge_value
    from monitor.readings import Block

    tally, found = csvfile.Tally(), []
    farm = context.farm()
    with progressbar(length=manner.rows, label="Reading", file=sys.stderr) as bar:
        blocks = csvfile.read_blocks(
            path,
            wish,
            manner,
            judge=judge_value,
            now=context.clock(),
            records_from=farm.records_from,
            tally=tally,
            calibrate=calibrate,
        )
        for block in blocks:
            found.append(block)
            bar.update(min(5_000, manner.rows - bar.pos))
    if not tally.readings:
        return tally, 0
    block = flagged_late(Block.concat(found), store, farm)
    new = _new(block, store, tally)
    for start in range(0, len(block), _AT_ONCE):
        store.append(block.rows(slice(start, start + _AT_ONCE)))
    return tally, new


def _new(block: Block, store: ReadingStore, tally: Tally) -> int:
    """Return how many readings are not stored yet; what a sensor showed beside a corrected one is none of its own."""
    from collectors.late import not_stored
    from monitor.calibration import RAW

    fresh = not_stored(block, store)
    if not tally.corrected:
        return len(fresh)
    return sum(not fresh.sensors[index].endswith(RAW) for index in fresh.sensor_index.tolist())


def _facts(path: Path, manner: Manner, tally: Tally, new: int) -> dict[str, Any]:
    """Return what came of the file as the documented JSON."""
    return {
        "schema": "traywarden.import/1",
        "file": path.name,
        "rows": manner.rows,
        "readings": tally.readings,
        "new_readings": new,
        "missing": tally.missing,
        "doubtful": tally.doubtful,
        "corrected": tally.corrected,
        "errors": tally.error_count,
        "error_rows": [{"line": line, "why": why} for line, why in tally.errors],
        "first_at": tally.first_at.isoformat() if tally.first_at else None,
        "last_at": tally.last_at.isoformat() if tally.last_at else None,
        "found": list(manner.told),
    }


def _tell(context: Context, facts: dict[str, Any]) -> None:
    """Say what came of the file."""
    if context.as_json:
        context.echo_json(facts)
        return
    for note in facts["found"]:
        context.echo(f"  {note}")
    for row in facts["error_rows"][:_SHOWN_ERRORS]:
        context.echo(f"  line {row['line']}: {row['why']}; passed over")
    if facts["errors"] > _SHOWN_ERRORS:
        context.echo(f"  and {facts['errors'] - _SHOWN_ERRORS} more (--json lists up to 1,000)")
    context.echo(
        f"{facts['file']}: {facts['rows']} rows, {facts['readings']} readings, of them {facts['new_readings']} new; "
        f"{facts['missing']} fields without a value, {facts['errors']} in error."
    )
    if facts["corrected"]:
        context.echo(
            f"{facts['corrected']} of them are corrected by the sensor's calibration of their day; what it showed is "
            "kept beside."
        )
    if facts["doubtful"]:
        context.warn(
            f"   {facts['doubtful']} of them cannot be right for such a sensor and are not judged on. Is the unit the "
            "file's? Say it behind the sensor and bring the file in again, e.g. --map Temp=air-1:degF"
        )


def _calibrate_of(path: Path, context: Context) -> Calibrate:
    """Return what corrects the values of a table: nothing where `traywarden export` wrote it, as they are corrected."""
    from collectors import exported
    from collectors.pipeline import as_measured

    if not exported.is_csv_export(path):
        return _calibrations(context)
    context.warn("   it is an export: its values are corrected already, and are taken as they are")
    return as_measured


def _bring_in_exported(
    path: Path, sort: str, unknown: bool, store: ReadingStore, context: Context
) -> tuple[Tally, int]:
    """Read a file that names its sensors itself into the store; return what came of it, and how many are new."""
    from collectors import exported
    from collectors.csvfile import Tally
    from collectors.pipeline import judge_value
    from monitor.calibration import RAW

    sensors = context.farm().sensors
    tally = Tally()

    def known(name: str) -> bool:
        return unknown or name.removesuffix(RAW) in sensors

    added, before = 0, store.count()
    reading = {exported.CSV: exported.read_csv, exported.PARQUET: exported.read_parquet}
    if sort == exported.SENML:
        blocks = exported.read_senml(path, sensors, known, judge_value, tally, _calibrations(context))
    else:
        blocks = reading.get(sort, exported.read_packed)(path, known, tally)
    with progressbar(length=path.stat().st_size, label="Reading", file=sys.stderr) as bar:
        for block in blocks:
            if len(block):
                added += _new(block, store, tally) if sort == exported.SENML else 0
                store.append(block)
            bar.update(0)
    return tally, added if sort == exported.SENML else store.count() - before


def _exported_facts(path: Path, sort: str, tally: Tally, new: int) -> dict[str, Any]:
    """Return what came of a file that names its sensors itself, as the documented JSON."""
    words = {"csv": "a CSV export", "parquet": "a Parquet export", "packed": "packed readings", "senml": "a SenML pack"}
    return {
        "schema": "traywarden.import/1",
        "file": path.name,
        "rows": tally.readings + tally.error_count,
        "readings": tally.readings,
        "new_readings": new,
        "missing": 0,
        "doubtful": tally.doubtful,
        "corrected": tally.corrected,
        "errors": tally.error_count,
        "error_rows": [{"line": line, "why": why} for line, why in tally.errors],
        "first_at": tally.first_at.isoformat() if tally.first_at else None,
        "last_at": tally.last_at.isoformat() if tally.last_at else None,
        "found": [f"it is {words[sort]}; its sensors are named in it"],
    }


@click.command(
    "import",
    epilog='Example: traywarden import april.csv --time "date" --map "Temp=air-1:degF" --map "RH=damp-1" --zone farm'
    "\n\nExample: traywarden import march.parquet",
)
@click.argument("path", metavar="FILE", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--time", "time_column", metavar="COLUMN", help="Column with the times.")
@click.option(
    "--map",
    "maps",
    multiple=True,
    metavar="COLUMN=SENSOR[:UNIT]",
    help="Which column feeds which sensor of farm.toml; once for each column.",
)
@click.option("--zone", metavar="ZONE", help="Whose clock times without offset are: a zone, UTC, or farm.")
@click.option("--delimiter", metavar="CHAR", help="What parts the fields; found out if not given. TAB for a tab.")
@click.option("--time-format", metavar="FORMAT", help="iso, unix, unix-ms, or like '%d.%m.%Y %H:%M'.")
@click.option("--decimal", type=click.Choice([".", ","]), help="The decimal sign; found out if not given.")
@click.option("--encoding", help="Text encoding; UTF-8 if not given.")
@click.option("--skip-lines", type=click.IntRange(min=0), default=0, help="Lines before the header.")
@click.option("--unknown", is_flag=True, help="Of an export: bring in sensors too that farm.toml does not know.")
@json_option
@click.pass_obj
def import_(
    context: Context,
    path: Path,
    time_column: str | None,
    maps: tuple[str, ...],
    zone: str | None,
    delimiter: str | None,
    time_format: str | None,
    decimal: str | None,
    encoding: str | None,
    skip_lines: int,
    unknown: bool,
) -> None:
    """Bring in readings from a logger's CSV file, from an export (CSV, Parquet, SenML) or any SenML pack.

    An export names its sensors itself. How a logger's file is written is found out where only one reading fits;
    where two do, nothing is read and the option that settles it is named. Rows in error are told by line and passed
    over. Bringing in the same file twice changes nothing.

    What a logger or a pack says of a sensor that was calibrated is corrected by the calibration of its day, and kept
    as it was shown beside. An export holds corrected values, and is taken as it is.
    """
    from collectors import csvfile, exported
    from monitor.stores.opening import open_readings

    farm = context.farm()
    sort = None if time_column or maps else exported.sort_of(path)
    if sort is not None:
        _import_exported(context, path, sort, unknown)
        return
    if not time_column or not maps:
        raise click.UsageError(
            "a logger's CSV file needs --time COLUMN and --map COLUMN=SENSOR; an export or a SenML pack needs neither"
        )
    wish = csvfile.Wish(
        time_column=time_column,
        columns=_columns(maps, farm),
        delimiter="\t" if delimiter in ("TAB", "tab", "\\t") else delimiter,
        time_format=time_format,
        zone=_zone(zone, farm),
        decimal=decimal,
        skip_lines=skip_lines,
        encoding=encoding,
    )
    manner = csvfile.look_over(path, wish)
    store = open_readings(farm)
    try:
        tally, new = _bring_in(path, wish, manner, store, context, _calibrate_of(path, context))
        _tell(context, _facts(path, manner, tally, new))
    finally:
        store.close()
    if tally.readings == 0:
        raise RefusedError(f"{path.name}: not one row could be read; see the lines above")


def _import_exported(context: Context, path: Path, sort: str, unknown: bool) -> None:
    """Bring in a file that names its sensors itself, and say what came of it."""
    from monitor.stores.opening import open_readings

    store = open_readings(context.farm())
    try:
        tally, new = _bring_in_exported(path, sort, unknown, store, context)
        _tell(context, _exported_facts(path, sort, tally, new))
    finally:
        store.close()
    if tally.readings == 0 and tally.error_count:
        raise RefusedError(f"{path.name}: not one reading could be taken; see the lines above, or say --unknown")
