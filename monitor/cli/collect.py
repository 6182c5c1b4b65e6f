"""``traywarden collect``: one of several collectors that share the messages of a broker."""

from __future__ import annotations

import signal
import threading
from collections.abc import Collection
from datetime import timedelta
from typing import TYPE_CHECKING

import click

from monitor.cli.common import Context
from monitor.errors import NotFoundError

if TYPE_CHECKING:
    from monitor.farm import Farm


@click.command(epilog="Example: traywarden collect --name north")
@click.option("--name", metavar="NAME", help="Its own name, always the same [default: the machine's].")
@click.option("--line", "lines", multiple=True, metavar="LINE", help="Read this Modbus line too; may come again.")
@click.option("--folder", "folders", multiple=True, metavar="FOLDER", help="Read this watched folder too; likewise.")
@click.option("--retire", is_flag=True, help="Take in what waits for this collector, then take it out for good.")
@click.option(
    "--within", type=click.IntRange(1), default=600, show_default=True, metavar="SECONDS",
    help="How long --retire may take.",
)  # fmt: skip
@click.option("--log", "level", type=click.Choice(["debug", "info", "warning", "error"]), default="info")
@click.pass_obj
def collect(
    context: Context, name: str | None, lines: tuple[str, ...], folders: tuple[str, ...], retire: bool, within: int,
    level: str,
) -> None:  # fmt: skip
    """Take a share of the sensors' messages and store their readings, until stopped by Ctrl-C or SIGTERM.

    For farms that have outgrown `traywarden run`: any number of collectors, on any machines, share the messages; each
    must keep its name, by which the broker holds what comes while it is away. One that will not come back must be
    retired, or its share waits for ever. `traywarden watch` judges and nudges, `traywarden serve` serves the pages.
    """
    from monitor.cli.run import set_up_log
    from monitor.service.collecting import Collecting
    from monitor.service.shared import process_name

    set_up_log(level)
    farm = context.farm()
    refuse_unknown_feeds(farm, lines, folders)
    stopped = threading.Event()
    for each_signal in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each_signal, lambda *_: stopped.set())
    own = process_name(name)
    collecting = Collecting(farm, own, clock=context.clock, leaves=retire, only=(*lines, *folders))
    try:
        collecting.start()
        if retire:
            context.echo(f"Collector {own} takes no new share; what waits for it is stored.")
            collecting.leave(timedelta(seconds=within))
            context.echo(
                f"Collector {own} is retired: {collecting.pipeline.counters.readings} readings that had waited for it "
                "are stored. It may come back under its name like a new one."
            )
            return
        context.echo(f"Collector {own} of {farm.name} takes its share of the messages. Ctrl-C stops it.")
        stopped.wait()
        context.echo("Stopping: storing what is queued.")
    finally:
        collecting.stop()
    context.echo("Stopped. The broker holds its share until it is back.")


def refuse_unknown_feeds(farm: Farm, lines: Collection[str], folders: Collection[str]) -> None:
    """Refuse to read what farm.toml does not know.

    Raises:
        NotFoundError: It has no such Modbus line or folder.
    """
    for asked, known, what in (
        (lines, farm.feeds.lines, "[[modbus]] line"),
        (folders, farm.feeds.folders, "[[folder]]"),
    ):
        for each in asked:
            if each not in known:
                raise NotFoundError(f"farm.toml has no {what} {each!r}; there are: {', '.join(known) or 'none'}")
