"""``traywarden lookback``: what a batch lived through, and what the record supports, rules out or leaves open."""

from __future__ import annotations

import base64
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.common import Context, json_option
from monitor.errors import NotFoundError, RefusedError, StoreError

if TYPE_CHECKING:
    from alerts.outbox import OutboxRow
    from dashboards.lookback import LookBack

_BEFORE = timedelta(days=400)
_MOST_PHOTO_BYTES = 300_000


@click.command(
    epilog="Example: traywarden lookback 12 --html batch12.html\n\n"
    "Example: traywarden lookback 12 --zip batch12.zip   (all tables as CSV)"
)
@click.argument("batch", required=False)
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to read and print.")
@click.option("--zip", "zip_file", type=click.Path(path_type=Path, dir_okay=False), help="Write all tables as CSV.")
@click.option("--model", is_flag=True, help="Print the model of what spoils batches, to copy and change.")
@json_option
@click.pass_obj
def lookback(context: Context, batch: str | None, html: Path | None, zip_file: Path | None, model: bool) -> None:
    """Look back on one batch: what it lived through, beside its neighbours, and what that supports."""
    from monitor.suspectfile import shipped_text

    if model:
        click.echo(shipped_text(), nl=False)
        return
    from dashboards.lookbackmake import make
    from dashboards.lookbackpage import lookback_json, page_lines, to_zip
    from dashboards.lookbackwords import page_of
    from monitor.stores.opening import open_readings

    farm, ledger = context.farm(), context.ledger()
    entries = ledger.entries()
    store = open_readings(farm)
    try:
        made = make(
            farm,
            context.profiles(),
            entries,
            batch,
            store,
            now=context.clock(),
            sent=_sent(context),
            model_folder=context.farm_path.parent,
        )
        written = []
        if html is not None:
            page = made.page(_photos(made.found, farm.storage.folder))
            written.append(_write(html, page.encode()))
        if zip_file is not None:
            written.append(_write(zip_file, to_zip(made.found)))
    finally:
        store.close()
    if context.as_json:
        context.echo_json({**lookback_json(made.found), "files": written})
        return
    if not written:
        for line in page_lines(page_of(made.found)):
            context.echo(line)
        return
    for each in page_of(made.found).verdict:
        context.echo(each.text)
    for path in written:
        context.echo(f"Written: {path}")


def _sent(context: Context) -> tuple[OutboxRow, ...]:
    """Return what was sent to people so far."""
    from alerts.outbox_sql import SqlOutbox

    return SqlOutbox(context.ledger().engine).rows(context.clock() - _BEFORE)


def _photos(found: LookBack, folder: Path) -> list[str]:
    """Return the pictures that were kept with the outcome as data addresses; one too large, or gone, is left out."""
    from monitor.stores.photos import read_photo

    made = []
    for name in found.facts.record.outcome.photos:
        with suppress(NotFoundError, StoreError):
            picture = read_photo(name, folder)
            if len(picture) <= _MOST_PHOTO_BYTES:
                made.append(f"data:image/jpeg;base64,{base64.b64encode(picture).decode()}")
    return made


def _write(path: Path, content: bytes) -> str:
    """Write a file, and return its name.

    Raises:
        RefusedError: It cannot be written.
    """
    try:
        path.write_bytes(content)
    except OSError as exc:
        raise RefusedError(f"{path} cannot be written: {exc}; name another file") from exc
    return str(path)
