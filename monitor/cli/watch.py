"""``traywarden watch``: one of several watchers that share the rooms of a farm."""

from __future__ import annotations

import signal
import threading

import click

from monitor.cli.common import Context
from monitor.errors import NotFoundError, RefusedError


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
    from monitor.service.shared import process_name, shared_stores
    from monitor.service.watching import Watching

    own = process_name(name)
    if retire:
        shared_stores(context.farm(), "watch")
        forget_watcher(context, own)
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


def forget_watcher(context: Context, name: str) -> None:
    """Forget a watcher for good.

    Raises:
        NotFoundError: There is none of this name.
        RefusedError: It has rooms in its care.
    """
    from monitor.processes import watcher_of
    from monitor.stores.leases import all_leases
    from monitor.stores.states import WATCHER_STATE, ServiceStates

    engine = context.ledger().engine
    states = ServiceStates(engine)
    if states.of(WATCHER_STATE + name) is None:
        known = ", ".join(states.beginning(WATCHER_STATE)) or "none"
        raise NotFoundError(f"no watcher {name!r} is known; there are: {known}")
    if name in {watcher_of(each.holder) for each in all_leases(engine) if each.is_held}:
        raise RefusedError(
            f"watcher {name} has rooms in its care; stop it first. One that was killed lets go of them within half a "
            "minute: ask again then"
        )
    states.forget(WATCHER_STATE + name)
    context.echo(f"Watcher {name} is forgotten. It may come back under its name like a new one.")
