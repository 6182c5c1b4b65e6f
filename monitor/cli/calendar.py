"""``traywarden calendar``: the coming tasks for a phone's own calendar, and the secret address that it follows."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError

_SHOWN = 8


@click.command(epilog="Example: traywarden calendar   (or: traywarden calendar --file tasks.ics)")
@click.option("--renew", is_flag=True, help="Make a new address; the old one shows nothing any more.")
@click.option("--file", "file", type=click.Path(path_type=Path, dir_okay=False), help="Write the calendar to a file.")
@json_option
@click.pass_obj
def calendar(context: Context, renew: bool, file: Path | None) -> None:
    """Tell the secret address that a phone's calendar follows, and what it shows."""
    from alerts.outbox_sql import SqlOutbox
    from dashboards.feed import to_icalendar
    from dashboards.feedbook import FeedBook, pages_address
    from monitor.cli.rounds import tick_of
    from monitor.doors import Doors

    farm, now = context.farm(), context.clock()
    book = FeedBook(SqlOutbox(context.ledger().engine), Doors(farm.storage.folder))
    if renew:
        book.renew(now)
    entries, revisions = book.look(tick_of(context, now), context.ledger().entries())
    base, is_reachable = pages_address(farm)
    if file is not None:
        _write(file, to_icalendar(farm, entries, revisions))
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.calendar/1",
                "address": base + book.path(),
                "reachable": is_reachable,
                "entries": [
                    {
                        "uid": each.uid,
                        "at": each.starts_at.isoformat(),
                        "says": each.summary,
                        "place": each.place or None,
                        "sequence": revisions[each.uid].sequence,
                        "revised_at": revisions[each.uid].revised_at.isoformat(),
                    }
                    for each in entries
                ],
                "files": [str(file)] if file else [],
            }
        )
        return
    if renew:
        context.echo("The calendar has a new address; phones that follow the old one show nothing new any more.")
    context.echo(f"Let your phone's calendar follow: {base}{book.path()}")
    if not is_reachable:
        context.echo("No phone reaches that address: set url under [pages] in farm.toml to how people reach the pages.")
    context.echo("Whoever knows it sees the tasks. A new one: traywarden calendar --renew")
    for each in entries[:_SHOWN]:
        place = f", {each.place}" if each.place else ""
        context.echo(f"  {say_time(each.starts_at, farm.zone)}  {each.summary}{place}")
    if len(entries) > _SHOWN:
        context.echo(f"  and {len(entries) - _SHOWN} more")
    if file is not None:
        context.echo(f"Written: {file}, {len(entries)} entries. It stays as it is; what follows the address moves.")


def _write(path: Path, text: bytes) -> None:
    """Write the calendar to a file.

    Raises:
        RefusedError: It cannot be written.
    """
    try:
        path.write_bytes(text)
    except OSError as exc:
        raise RefusedError(f"{path} cannot be written: {exc}; name another file") from exc
