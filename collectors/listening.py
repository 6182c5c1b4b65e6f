"""Hearing what is said on a broker for a while, for `traywarden check`; nothing is kept there or here."""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import paho.mqtt.client as paho

from collectors.mqtt_client import connect_once, new_client
from monitor.errors import BrokerError
from monitor.farm import BrokerSettings

_ANSWER_WITHIN_S = 10.0
_END_WITHIN = timedelta(seconds=5)
_TOPICS = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What was heard on a broker in a while.

    Attributes:
        payloads: Newest payload of each topic, of a thousand topics at most.
        retained: Topics whose payload the broker had kept from before.
    """

    payloads: dict[str, bytes]
    retained: frozenset[str]


class _Ear:
    """What the network thread hears."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self.payloads: dict[str, bytes] = {}
        self.retained: set[str] = set()
        self.answered = threading.Event()
        self.refused: str | None = None
        self._lock = threading.Lock()

    def on_connect(self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Ask for every topic, or note why we are refused."""
        if reason.is_failure:
            self.refused = f"refuses us: {reason}; see user and password_file under [broker] in farm.toml"
            self.answered.set()
        else:
            client.subscribe("#", qos=0)

    def on_subscribe(self, _client: paho.Client, _userdata: Any, _mid: Any, codes: Any, _properties: Any) -> None:
        """Note whether we may hear everything."""
        if any(code.is_failure for code in codes):
            self.refused = 'does not let this user read all topics ("#"); its list of rights decides'
        self.answered.set()

    def on_disconnect(self, *_: Any) -> None:
        """Note that the broker hung up before it answered."""
        if not self.answered.is_set():
            self.refused = "hangs up without an answer; is it a broker, and is tls = true needed?"
            self.answered.set()

    def on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        """Keep the newest payload of a topic."""
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # no filter of farm.toml could take it
        with self._lock:
            if topic in self.payloads or len(self.payloads) < _TOPICS:
                self.payloads[topic] = bytes(message.payload)
                (self.retained.add if message.retain else self.retained.discard)(topic)

    def heard(self) -> Heard:
        """Return what was heard so far."""
        with self._lock:
            return Heard(payloads=dict(self.payloads), retained=frozenset(self.retained))


def listen(settings: BrokerSettings, *, within: timedelta, port: int | None = None) -> Heard:
    """Listen to everything on a broker for a while, under a client id that leaves nothing behind.

    Args:
        settings: The broker.
        within: How long.
        port: TCP port where it differs from the settings' (an embedded broker on a free one).

    Raises:
        BrokerError: It does not answer or refuses us; says what to check.
    """
    tcp_port = settings.port if port is None else port
    where = f"the broker at {settings.host}:{tcp_port}"
    ear = _Ear()
    client = new_client(settings, f"traywarden-check-{secrets.token_hex(4)}", v5=False, keep=False, manual_ack=False)
    client.on_connect, client.on_subscribe = ear.on_connect, ear.on_subscribe
    client.on_disconnect, client.on_message = ear.on_disconnect, ear.on_message
    connect_once(client, settings, tcp_port, v5=False)
    client.loop_start()
    try:
        if not ear.answered.wait(_ANSWER_WITHIN_S):
            raise BrokerError(f"{where} does not answer; is it a broker, and is tls = true needed?")
        if ear.refused is not None:
            raise BrokerError(f"{where} {ear.refused}")
        threading.Event().wait(within.total_seconds())
    finally:
        client.end(_END_WITHIN)
    return ear.heard()


def speaks_v5(settings: BrokerSettings, *, port: int | None = None) -> bool:
    """Tell whether a broker, which is known to answer, speaks MQTT 5; it is left at once, and keeps nothing of us.

    Args:
        settings: The broker.
        port: TCP port where it differs from the settings'.

    Raises:
        BrokerError: It cannot be reached.
    """
    answered, accepted = threading.Event(), threading.Event()

    def on_connect(_client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not reason.is_failure:
            accepted.set()
        answered.set()

    client = new_client(settings, f"traywarden-check-{secrets.token_hex(4)}", v5=True, keep=False, manual_ack=False)
    client.on_connect = on_connect
    client.on_disconnect = lambda *_: answered.set()  # brokers of old hang up on a version that they do not know
    connect_once(client, settings, settings.port if port is None else port, v5=True)
    client.loop_start()
    try:
        answered.wait(_ANSWER_WITHIN_S)
    finally:
        client.end(_END_WITHIN)
    return accepted.is_set()
