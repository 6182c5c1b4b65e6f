"""``traywarden serve``: the pages alone; and how `run` and `demo` serve them beside the monitor."""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.common import Context
from monitor.errors import StoreError

if TYPE_CHECKING:
    import socket

    from starlette.routing import BaseRoute

    from dashboards.web.bell import Bell
    from dashboards.web.serving import PageServer
    from monitor.service import Service

log = logging.getLogger(__name__)

_FOLLOW_EVERY = timedelta(seconds=2)


def open_pages(
    service: Service,
    bell: Bell,
    *,
    listening: socket.socket,
    wake: Callable[[], None],
    is_simulated: bool = False,
    beside: Sequence[BaseRoute] = (),
) -> PageServer:
    """Return the pages' server of a service, ready to be started.

    Args:
        service: Whose ledger, readings and sensors are shown.
        bell: Rung by the service when something changed.
        listening: The bound socket.
        wake: Called after an entry.
        is_simulated: Every page says so.
        beside: Routes that have a lock of their own: what devices push.

    Raises:
        PagesError: They cannot be served as farm.toml asks.
    """
    from alerts.alarms_sql import SqlAlarms
    from alerts.ward import rooms_of
    from dashboards.web.house import House
    from dashboards.web.lookout import Lookout
    from dashboards.web.serving import PageServer, check_doors
    from monitor.doors import Doors
    from monitor.service import STATUS_STATE
    from monitor.stores.processes import seen_processes

    farm = service.farm
    rooms = rooms_of(farm)
    alarms = SqlAlarms(service.ledger.engine)

    def status() -> dict[str, Any] | None:
        found: dict[str, Any] | None = service.outbox.state(STATUS_STATE)
        return found

    house = House(
        farm=farm,
        profiles=service.profiles,
        ledger=service.ledger,
        store=service.store,
        live=service.live,
        scales=service.scales,
        lookout=Lookout(
            farm,
            service.profiles,
            service.ledger,
            live=service.live,
            scales=service.scales,
            watching_since=service.started_at,
        ),
        alarms=alarms.load,
        nudges=lambda since: service.outbox.rows(since=since),
        status=status,
        doors=Doors(farm.storage.folder),
        bell=bell,
        wake=wake,
        clock=service.clock,
        port=int(listening.getsockname()[1]),
        is_simulated=is_simulated,
        processes=lambda: seen_processes(service.ledger.engine, rooms, service.clock()),
        unread=service.aside.unread.count,
    )
    check_doors(house)
    return PageServer(house, listening, beside)


@click.command(epilog="Example: traywarden serve")
@click.option("--log", "level", type=click.Choice(["debug", "info", "warning", "error"]), default="info")
@click.pass_obj
def serve(context: Context, level: str) -> None:
    """Serve the pages alone, beside a monitor that runs elsewhere, or to look at a farm's book without one.

    Where collectors and watchers share the work, what devices push over HTTP comes in here.

    `traywarden run` serves them too, unless farm.toml says serve = false under [pages].
    """
    from dashboards.web.bell import Bell
    from dashboards.web.serving import open_socket
    from monitor.cli.run import set_up_log
    from monitor.service import Service

    set_up_log(level)
    farm = context.farm()
    bell = Bell()
    stopped = threading.Event()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: stopped.set())
    listening = open_socket(farm.pages)
    service = Service(farm, context.profiles(), clock=context.clock, on_change=bell.ring, alone=False)
    server = None
    try:
        beside = service.push_routes() if farm.storage.is_shared else []  # else they come in where `traywarden run` is
        server = open_pages(service, bell, listening=listening, wake=lambda: None, beside=beside)
        server.start()
        context.echo(f"{farm.name}: the pages are at {server.address}. Ctrl-C stops them.")
        since = context.clock() - timedelta(minutes=1)
        while not stopped.wait(_FOLLOW_EVERY.total_seconds()):
            try:
                since = service.follow_store(since)
            except StoreError as exc:
                log.warning("follow.failed why=%s", exc)
    finally:
        if server is not None:
            server.stop()
        else:
            listening.close()
        service.stop()
    context.echo("Stopped.")
