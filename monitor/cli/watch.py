"""``traywarden watch``: one of several watchers that share the rooms of a farm."""

from __future__ import annotations

import signal
import threading

import click

from monitor.cli.common import Context
from monitor.errors import NotFoundError


@click.command(epilog="Example: traywarden watch --room cellar")
@click.option("--room", "rooms", multiple=True, metavar="ROOM", help="Watch this room; may come again [default: all].")
@click.option("--name", help="Its own name, shown by `traywarden status` [default: the machine's].")
@click.option("--retire", is_flag=True, help="Forget a watcher of this name that will not come back.")
@click.option("--log", "level", type=click.Choice(["debug", "info", "warning", "error"]), default="info")
@click.pass_obj
def watch(context: Context, rooms: tuple[str, ...], name: str | None, retire: bool, level: str) -> None:
    """Judge some rooms and nudge, beside collectors that store the readings, until stopped by Ctrl-C or SIGTERM.

    For farms that have outgrown `traywarden run`: any number of watchers, on any machines. A room is watched by one
    of them at a time; the others that may watch it stand by, and take over within a minute when that one dies.
    A monitor, not a safety device: it switches nothing, and must not be the only thing that watches a heater.
    """
    from monitor.cli.run import set_up_log
    from monitor.service.shared import process_name
    from monitor.service.watching import Watching

    own = process_name(name)
    if retire:
        _retire(context, own)
        return
    set_up_log(level)
    farm = context.farm()
    stopped = threading.Event()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: stopped.set())
    watching = Watching(farm, context.profiles(), own, rooms=rooms, clock=context.clock, tell=context.echo)
    try:
        watching.start()
        context.echo(f"Watcher {own} of {farm.name} is ready. Ctrl-C stops it.")
        stopped.wait()
        context.echo("Stopping: letting go of the rooms.")
    finally:
        watching.stop()
    context.echo("Stopped.")


def _retire(context: Context, name: str) -> None:
    """Forget a watcher for good."""
    from monitor.service.shared import shared_stores
    from monitor.stores.states import WATCHER_STATE, ServiceStates

    shared_stores(context.farm(), "watch")
    states = ServiceStates(context.ledger().engine)
    if states.of(WATCHER_STATE + name) is None:
        known = ", ".join(states.beginning(WATCHER_STATE)) or "none"
        raise NotFoundError(f"no watcher {name!r} is known; there are: {known}")
    states.forget(WATCHER_STATE + name)
    context.echo(f"Watcher {name} is forgotten. It may come back under its name like a new one.")
