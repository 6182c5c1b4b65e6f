"""``traywarden run`` and ``traywarden status``: the service, and how it is."""

from __future__ import annotations

import logging
import signal
import threading
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from monitor.amounts import say_list, say_time
from monitor.cli.common import Context, json_option
from monitor.errors import PagesError, RefusedError

if TYPE_CHECKING:
    from dashboards.web.bell import Bell
    from dashboards.web.serving import PageServer
    from monitor.service import Service

log = logging.getLogger(__name__)


def set_up_log(level: str) -> None:
    """Send the program's log to standard error, one line an event."""
    logging.basicConfig(level=level.upper(), format="%(asctime)s %(levelname)s %(name)s %(message)s", force=True)
    for noisy in ("apscheduler", "apprise", "alembic", "uvicorn", "asyncio"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


@click.command(epilog="Example: traywarden run")
@click.option("--log", "level", type=click.Choice(["debug", "info", "warning", "error"]), default="info")
@click.pass_obj
def run(context: Context, level: str) -> None:
    """Listen to the sensors, judge and nudge, until stopped by Ctrl-C or SIGTERM.

    A monitor, not a safety device: it switches nothing, and must not be the only thing that watches a heater.
    """
    from dashboards.web.bell import Bell
    from monitor.service import Service, rest_from_garbage

    set_up_log(level)
    farm = context.farm()
    if farm.storage.postgres is not None:
        refuse_beside_watchers(context)
    bell = Bell()
    service = Service(farm, context.profiles(), clock=context.clock, on_change=bell.ring)
    stopped = threading.Event()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: stopped.set())
    pages = None
    try:
        pages = _pages(service, bell)
        service.start_listening()
        service.start_clockwork()
        rest_from_garbage()
        if pages is not None:
            pages.start()
        port = f", embedded broker on port {service.broker.port}" if service.broker else ""
        sensors = f", {len(farm.sensors)} sensors" if farm.sensors else ""
        context.echo(f"Traywarden watches {farm.name}{sensors}{port}. Ctrl-C stops it.")
        if pages is not None:
            context.echo(f"The pages are at {pages.address}.")
        stopped.wait()
        context.echo("Stopping: storing what is queued.")
    finally:
        if pages is not None:
            pages.stop()
        service.stop()
    context.echo("Stopped.")


def refuse_beside_watchers(context: Context) -> None:
    """Refuse to watch what somebody else watches: both would nudge.

    Raises:
        RefusedError: A watcher has a room.
    """
    from monitor.processes import watcher_of
    from monitor.stores.leases import all_leases

    names = sorted({watcher_of(each.holder) for each in all_leases(context.ledger().engine) if each.is_held})
    if names:
        raise RefusedError(
            f"{say_list(names)} {'watches' if len(names) == 1 else 'watch'} rooms of this farm; stop `traywarden "
            "watch` there first. One that was killed counts no longer half a minute later"
        )


def _pages(service: Service, bell: Bell) -> PageServer | None:
    """Return the pages' server; None where farm.toml wants none, or their port is taken: the room is watched anyway.

    Raises:
        PagesError: They may not be served as farm.toml asks: nobody has a password, or the certificate is no good.
    """
    if not service.farm.pages.serve:
        if service.farm.feeds.devices:
            log.warning("push.left_out why=devices push to the pages' address, and serve is false under [pages]")
        return None
    from dashboards.web.serving import open_socket
    from monitor.cli.serve import open_pages

    try:
        listening = open_socket(service.farm.pages)
    except PagesError as exc:
        log.error("pages.left_out why=%s", exc)
        return None
    try:
        return open_pages(service, bell, listening=listening, wake=service.look_at_once, beside=service.push_routes())
    except BaseException:
        listening.close()
        raise


@click.command(epilog="Example: traywarden status")
@json_option
@click.pass_obj
def status(context: Context) -> None:
    """Say how the monitor is: running or not, broker, readings, alarms, nudges that did not get through."""
    from alerts.alarms_sql import SqlAlarms
    from alerts.outbox_sql import SqlOutbox
    from alerts.ward import rooms_of
    from dashboards.facts.processwords import lacking, process_lines
    from dashboards.facts.status import is_running, status_facts
    from monitor.service import STATUS_STATE
    from monitor.stores.opening import unread_count
    from monitor.stores.processes import seen_processes

    farm, now = context.farm(), context.clock()
    engine = context.ledger().engine
    outbox = SqlOutbox(engine)
    state: dict[str, Any] | None = outbox.state(STATUS_STATE)
    processes = seen_processes(engine, rooms_of(farm), now)
    is_whole = is_running(state, now)
    alive = is_whole or processes.any_lives
    ran_last = state is not None and processes.were_before(datetime.fromisoformat(state["beat_at"]))
    unwatched = () if is_whole else processes.unwatched
    alarms = [alarm for alarm in SqlAlarms(engine).load().values() if alarm.is_active]
    troubled = outbox.troubled()
    unread = unread_count(farm)
    if context.as_json:
        context.echo_json(status_facts(state, alarms, troubled, now, running=alive, unread=unread, processes=processes))
    else:
        if is_whole or ran_last or not processes.are_several:
            _tell_service(context, state, alive=is_whole)
        for line in process_lines(processes, unwatched, farm, is_whole=is_whole):
            context.echo(line)
        if unread:
            context.echo(f"{unread} message{'s' if unread > 1 else ''} could not be read: traywarden unread")
        for alarm in alarms:
            since = say_time(alarm.finding.since, farm.zone)
            context.echo(f"Wrong now, since {since}: {alarm.finding.cause} {alarm.finding.action}")
        if not alarms and farm.sensors:
            context.echo("No alarm.")
        for row in troubled:
            end = "given up" if row.given_up_at else f"tried again {say_time(row.next_try_at, farm.zone)}"
            context.echo(f"Not delivered to {row.person} over {row.channel}: {row.title} ({row.last_error}; {end})")
    lacks = lacking(processes, unwatched, farm, is_whole=is_whole, ran_last=ran_last)
    if lacks:
        raise RefusedError(lacks)


def _tell_service(context: Context, state: dict[str, Any] | None, *, alive: bool) -> None:
    """Say how the service is."""
    farm = context.farm()
    if state is None:
        context.echo(f"{farm.name}: the monitor has never run here.")
        return
    beat = say_time(datetime.fromisoformat(state["beat_at"]), farm.zone)
    context.echo(f"{farm.name}: {'running' if alive else 'NOT RUNNING'}, last sign of life {beat}.")
    if state["listens"]:
        answers = "answers" if state["broker_connected"] else "DOES NOT ANSWER"
        context.echo(f"Broker on port {state['broker_port']} {answers}.")
    if state["trouble"]:
        context.echo(f"Trouble: {state['trouble']}")
    store = state.get("store")
    if store is not None:
        context.echo(
            f"InfluxDB: {store['waiting']} readings wait for it, {store['refused']} were refused by it"
            f"{'; ' + store['trouble'] if store['trouble'] else ''}."
        )
    for feed in state.get("feeds", []):
        context.echo(f"{feed['name']}: {feed['trouble'] or 'is read'}.")
    free = state.get("disk_free_bytes")
    if free is not None:
        context.echo(f"{free / 1e9:.1f} GB are free on the disk of ledger and readings.")
    context.echo(
        f"Since its start: {state['messages']} messages, {state['readings']} readings, "
        f"{state['quarantined']} set aside as unreadable."
    )
    for why, count in state["dropped"].items():
        context.echo(f"  {count} left out: {why}")
