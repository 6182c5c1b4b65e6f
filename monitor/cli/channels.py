"""``traywarden try-channels``: one test message to each person over each channel."""

from __future__ import annotations

import sys
import threading
from collections.abc import Mapping

import click

from alerts.advisor import Channel
from alerts.channels import open_channels
from collectors.mqtt_client import connect, new_client
from monitor.cli.common import Context, json_option
from monitor.errors import BrokerError, ChannelError, NotFoundError, RefusedError
from monitor.farm import Farm

_PATIENCE_S = 10.0
TEXT = "This is a test from Traywarden. Nothing is to be done."


def _publish(farm: Farm, topic: str, payload: bytes) -> None:
    """Publish one message over a connection of its own."""
    try:
        client = new_client(farm.broker, "", v5=False, keep=False, manual_ack=False)
        connect(client, farm.broker, farm.broker.port, v5=False, keep=False)
    except BrokerError as exc:
        raise ChannelError(str(exc)) from exc
    answered = threading.Event()
    client.on_connect = lambda *_: answered.set()
    client.loop_start()
    try:
        if not answered.wait(_PATIENCE_S):
            raise ChannelError(f"the broker at {farm.broker.host}:{farm.broker.port} does not answer; is it running?")
        told = client.publish(topic, payload, qos=1)
        told.wait_for_publish(_PATIENCE_S)
        if not told.is_published():
            raise ChannelError(f"the broker at {farm.broker.host}:{farm.broker.port} did not confirm within 10 s")
    except (ValueError, RuntimeError) as exc:
        raise ChannelError(f"the broker did not take the message: {exc}") from exc
    finally:
        client.disconnect()
        client.loop_stop()


def _try(channel: Channel, person: str, name: str) -> dict[str, object]:
    """Send one test message, and return what came of it."""
    told: Mapping[str, object] = {"key": "test", "person": person}
    try:
        channel.send(f"{person}: {TEXT}", title="Test from Traywarden", payload=told)
    except ChannelError as exc:
        return {"person": person, "channel": name, "ok": False, "why": str(exc)}
    return {"person": person, "channel": name, "ok": True, "why": None}


@click.command("try-channels", epilog="Example: traywarden try-channels --person ines")
@click.option("--person", metavar="WHO", help="Only this person.")
@json_option
@click.pass_obj
def try_channels(context: Context, person: str | None) -> None:
    """Send one test message to each person over each of their channels, and say what came of it."""
    farm = context.farm()
    if person is not None and person not in farm.people:
        raise NotFoundError(f"nobody is called {person!r} in farm.toml; there are: {', '.join(farm.people)}")
    console = sys.stderr if context.as_json else None  # standard output is for the facts alone
    channels = open_channels(farm, publish=lambda topic, payload: _publish(farm, topic, payload), console=console)
    people = [each for each in farm.people.values() if person in (None, each.id)]
    results = [_try(channels[name], each.id, name) for each in people for name in each.channels]
    if context.as_json:
        context.echo_json({"schema": "traywarden.channels/1", "results": results})
    for result in results:
        end = "sent" if result["ok"] else f"NOT sent: {result['why']}"
        context.echo(f"{result['person']} over {result['channel']}: {end}")
    if not all(result["ok"] for result in results):
        raise RefusedError("not every message could be sent; see the lines above")
