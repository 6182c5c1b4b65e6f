"""Readings over MQTT: nothing is acknowledged to the broker before it is on disk.

The network thread only puts messages into a bounded queue. One writer thread takes what is queued, stores it
in one transaction, and acknowledges it in order of arrival, each message once and only over the connection
that it came by.
"""

from __future__ import annotations

import json
import logging
import queue
import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from collectors.pipeline import Message, Pipeline
from monitor.clock import Clock
from monitor.errors import BrokerError, ChannelError, RejectedRowsError, StoreError
from monitor.farm import BrokerSettings
from monitor.readings import Block
from monitor.stores.protocol import ReadingStore

log = logging.getLogger(__name__)

SESSION_KEPT = timedelta(days=30)
"""How long a broker is asked to keep messages for us while we are away."""
KEEP_ALIVE_S = 60
_QUEUE = 20_000
_BATCH = 5_000
_PUT_WAIT_S = 20.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0
_UNSUPPORTED_VERSION = "Unsupported protocol version"
_SILENT_REFUSALS = 3  # connections closed without an answer before MQTT 3.1.1 is tried


@dataclass(frozen=True, slots=True)
class _Queued:
    """A message with what its acknowledgement needs."""

    message: Message
    mid: int
    qos: int
    connection: int


class _Stop:
    """Put into the queue to end the writer."""


class _Fallback:
    """Put into the queue to go on in MQTT 3.1.1."""


def secret_of(settings: BrokerSettings) -> str | None:
    """Return the broker's password from its file or environment variable, or None.

    Raises:
        BrokerError: The file cannot be read, or the variable is not set.
    """
    import os

    if settings.password_file is not None:
        try:
            return settings.password_file.read_text(encoding="utf-8").strip()
        except OSError as exc:
            raise BrokerError(f"the broker's password file {settings.password_file}: {exc.strerror}") from exc
    if settings.password_env is not None:
        found = os.environ.get(settings.password_env)
        if found is None:
            raise BrokerError(f"the environment variable {settings.password_env} with the broker's password is not set")
        return found
    return None


def new_client(settings: BrokerSettings, client_id: str, *, v5: bool, keep: bool, manual_ack: bool) -> paho.Client:
    """Return a client that is set up but not connected.

    Args:
        settings: Broker, user, TLS.
        client_id: The id that the broker knows the session by.
        v5: Speak MQTT 5; else 3.1.1.
        keep: Ask for a session that outlives the connection.
        manual_ack: We acknowledge ourselves.
    """
    clean = {} if v5 else {"clean_session": not keep}
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=paho.MQTTv5 if v5 else paho.MQTTv311,
        manual_ack=manual_ack,
        **clean,  # type: ignore[arg-type] # MQTT 5 refuses the argument even as None
    )
    password = secret_of(settings)
    if settings.user is not None:
        client.username_pw_set(settings.user, password)
    if settings.tls:
        client.tls_set(ca_certs=str(settings.ca_file) if settings.ca_file else None)
    client.on_socket_open = _no_delay
    client.reconnect_delay_set(min_delay=1, max_delay=60)
    return client


def _no_delay(_client: paho.Client, _userdata: Any, sock: Any) -> None:
    """Send acknowledgements at once instead of collecting them."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def connect(client: paho.Client, settings: BrokerSettings, port: int, *, v5: bool, keep: bool) -> None:
    """Begin connecting; the network thread goes on trying.

    Raises:
        BrokerError: The address cannot be used at all.
    """
    arguments: dict[str, Any] = {}
    if v5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # untyped in paho
        properties.SessionExpiryInterval = int(SESSION_KEPT.total_seconds()) if keep else 0
        arguments = {"clean_start": not keep, "properties": properties}
    try:
        client.connect_async(settings.host, port, keepalive=KEEP_ALIVE_S, **arguments)
    except ValueError as exc:
        raise BrokerError(f"broker address {settings.host}:{port}: {exc}") from exc


class MqttCollector:
    """Listens to the topics of the farm's sensors and stores what comes."""

    def __init__(
        self,
        settings: BrokerSettings,
        pipeline: Pipeline,
        store: ReadingStore,
        *,
        clock: Clock,
        port: int | None = None,
        after_commit: Callable[[Block], None] = lambda _block: None,
        speaks_v5: bool = True,
    ) -> None:
        """Take its parts; nothing is opened before start().

        Args:
            settings: Broker.
            pipeline: What makes readings of messages.
            store: Where they are kept.
            clock: Instants of arrival.
            port: TCP port where it differs from the settings' (an embedded broker on a free one).
            after_commit: Called on the writer thread with each stored block.
            speaks_v5: Begin with MQTT 5.
        """
        self._settings, self._pipeline, self._store, self._clock = settings, pipeline, store, clock
        self._port = settings.port if port is None else port
        self._after_commit = after_commit
        self._v5 = speaks_v5
        self._queue: queue.Queue[_Queued | _Stop | _Fallback] = queue.Queue(maxsize=_QUEUE)
        self._connection = 0
        self._refusals = 0
        self._stopping = threading.Event()
        self._changed = threading.Condition()
        self._committed = 0
        self._connected = False
        self._trouble: str | None = None
        self._client: paho.Client | None = None
        self._writer: threading.Thread | None = None

    # -- from outside ---------------------------------------------------------------------------------------

    def start(self) -> None:
        """Connect and listen; returns at once, connecting goes on by itself.

        Raises:
            BrokerError: The settings cannot be used.
        """
        self._writer = threading.Thread(target=self._write_until_stopped, name="readings-writer", daemon=True)
        self._writer.start()
        self._open_client()

    def stop(self, within: timedelta = timedelta(seconds=10)) -> None:
        """Store and acknowledge what is queued, say good-bye, and end both threads."""
        if self._stopping.is_set():
            return
        self._stopping.set()
        self._queue.put(_Stop())
        if self._writer is not None:
            self._writer.join(within.total_seconds())
        client = self._client
        if client is not None:
            if self._connected:
                self._say_state(client, "stopped")
            client.disconnect()
            client.loop_stop()

    @property
    def is_connected(self) -> bool:
        """Tell whether the broker answers."""
        return self._connected

    @property
    def trouble(self) -> str | None:
        """Return what the broker or store said last when something failed; None: all is well."""
        return self._trouble

    @property
    def committed(self) -> int:
        """Return how many messages were stored (or set aside) and acknowledged."""
        return self._committed

    def wait_for(self, condition: Callable[[], bool], within: timedelta) -> bool:
        """Wait until a condition on this collector holds, looked at after every change; tell whether it does."""
        with self._changed:
            return self._changed.wait_for(condition, within.total_seconds())

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish one message at QoS 1 and wait until the broker has it.

        Raises:
            ChannelError: The broker is gone, or did not answer in time.
        """
        client = self._client
        if client is None or not self._connected:
            raise ChannelError("the broker is not connected; the message waits in the outbox")
        told = client.publish(topic, payload, qos=1)
        try:
            told.wait_for_publish(10)
        except (ValueError, RuntimeError) as exc:
            raise ChannelError(f"the broker did not take the message: {exc}") from exc
        if not told.is_published():
            raise ChannelError("the broker did not confirm the message within 10 s")

    def beat(self) -> None:
        """Publish the monitor's own heartbeat; nothing happens while the broker is gone."""
        if self._client is not None and self._connected:
            self._say_state(self._client, "running")

    # -- network thread -------------------------------------------------------------------------------------

    def _open_client(self) -> None:
        """Make a client and begin connecting."""
        client = new_client(self._settings, self._settings.client_id, v5=self._v5, keep=True, manual_ack=True)
        client.will_set(self._settings.heartbeat_topic, self._state("gone"), qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_message = self._on_message
        connect(client, self._settings, self._port, v5=self._v5, keep=True)
        self._client = client
        client.loop_start()

    def _note(self, *, connected: bool | None = None, trouble: str | None = None) -> None:
        """Keep the connection's state and wake who waits for it."""
        with self._changed:
            if connected is not None:
                self._connected = connected
            self._trouble = trouble
            self._changed.notify_all()

    def _on_connect(self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Subscribe anew and say that we run; or go on in MQTT 3.1.1."""
        try:
            if str(reason) == _UNSUPPORTED_VERSION and self._v5:
                self._queue.put(_Fallback())
                return
            if reason.is_failure:
                log.error("broker.refused host=%s port=%s why=%s", self._settings.host, self._port, reason)
                self._note(connected=False, trouble=f"the broker refuses us: {reason}")
                return
            self._connection += 1
            self._refusals = 0
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            for each in self._pipeline.routes.filters:
                if self._v5:
                    client.subscribe(each, options=options)
                else:
                    client.subscribe(each, qos=1)
            self._say_state(client, "running")
            log.info("broker.connected host=%s port=%s v5=%s", self._settings.host, self._port, self._v5)
            self._note(connected=True)
        except Exception:
            log.exception("broker.connect_handler_failed")

    def _on_disconnect(self, _client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Note that the broker is gone; a broker that closes without a word may not speak MQTT 5."""
        try:
            was_connected = self._connected
            if not self._stopping.is_set():
                log.warning("broker.gone host=%s port=%s why=%s", self._settings.host, self._port, reason)
            self._note(connected=False, trouble=f"the connection to the broker ended: {reason}")
            if not was_connected and self._v5:
                self._refusals += 1
                if self._refusals == _SILENT_REFUSALS:
                    self._queue.put(_Fallback())
        except Exception:
            log.exception("broker.disconnect_handler_failed")

    def _on_connect_fail(self, _client: paho.Client, _userdata: Any) -> None:
        """Note that nobody listens at the broker's address."""
        self._note(connected=False, trouble=f"nobody answers at {self._settings.host}:{self._port}")

    def _on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        """Queue one message; whatever is wrong with it must not end the network thread."""
        try:
            queued = _Queued(
                Message(message.topic, bytes(message.payload), self._clock(), message.retain, message.dup),
                message.mid,
                message.qos,
                self._connection,
            )
            self._queue.put(queued, timeout=_PUT_WAIT_S)
        except queue.Full:
            log.warning("message.not_taken topic=%s why=queue full; the broker keeps it", message.topic)
        except Exception:
            log.exception("message.handler_failed")

    def _state(self, state: str) -> str:
        """Return the heartbeat's payload."""
        return json.dumps({"schema": "traywarden.heartbeat/1", "state": state, "at": self._clock().isoformat()})

    def _say_state(self, client: paho.Client, state: str) -> None:
        """Publish the heartbeat, kept by the broker for who asks later."""
        client.publish(self._settings.heartbeat_topic, self._state(state), qos=1, retain=True)

    # -- writer thread --------------------------------------------------------------------------------------

    def _write_until_stopped(self) -> None:
        """Take what is queued, store it at once, acknowledge it; never wait for more to come."""
        while True:
            batch, ending = self._next_batch()
            if batch and not self._commit(batch):
                return
            if isinstance(ending, _Stop):
                return
            if isinstance(ending, _Fallback):
                self._fall_back()

    def _next_batch(self) -> tuple[list[_Queued], _Stop | _Fallback | None]:
        """Return the messages that are queued now, one at least, and what ended the taking."""
        batch: list[_Queued] = []
        item = self._queue.get()
        while True:
            if not isinstance(item, _Queued):
                return batch, item
            batch.append(item)
            if len(batch) >= _BATCH:
                return batch, None
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                return batch, None

    def _commit(self, batch: list[_Queued]) -> bool:
        """Store a batch, trying until it is on disk, then acknowledge it; False: stopped before it was."""
        wait_s = _FIRST_WAIT_S
        block: Block | None = None
        while True:
            try:
                block = self._block_of(batch) if block is None else block
                self._store.append(block)
                break
            except RejectedRowsError as exc:
                self._set_aside(exc, batch)
                break
            except StoreError as exc:
                log.error("store.failed readings=%s again_in_s=%s why=%s", len(batch), wait_s, exc)
                self._note(trouble=str(exc))
            except Exception as exc:
                log.exception("store.unexpected readings=%s", len(batch))
                self._note(trouble=f"unexpected: {exc}")
            if self._stopping.wait(wait_s):
                return False  # not acknowledged: the broker hands it over again
            wait_s = min(wait_s * 2, _LONGEST_WAIT_S)
        if block is not None:
            self._hand_on(block)
        self._acknowledge(batch)
        return True

    def _block_of(self, batch: list[_Queued]) -> Block:
        """Return a batch's readings; a message that trips our own code costs itself only."""
        try:
            return self._pipeline.block_of([queued.message for queued in batch])
        except StoreError:
            raise
        except Exception:
            log.exception("pipeline.failed messages=%s", len(batch))
        blocks = []
        for queued in batch:
            try:
                blocks.append(self._pipeline.block_of([queued.message]))
            except StoreError:
                raise
            except Exception as exc:
                self._pipeline.set_aside(queued.message, f"our own fault, please report it: {exc!r}")
        return Block.concat(blocks)

    def _set_aside(self, exc: RejectedRowsError, batch: list[_Queued]) -> None:
        """Quarantine rows that the server refuses for good."""
        for row, why in exc.rows:
            self._pipeline.set_aside(Message("store", row.encode(), batch[-1].message.arrived_at), why)

    def _hand_on(self, block: Block) -> None:
        """Tell who wants to know of a stored block; what goes wrong there costs no reading."""
        try:
            self._after_commit(block)
        except Exception:
            log.exception("after_commit.failed")

    def _acknowledge(self, batch: list[_Queued]) -> None:
        """Tell the broker that the batch is done; a message of an earlier connection is left out."""
        client = self._client
        for queued in batch:
            if client is not None and queued.qos > 0 and queued.connection == self._connection:
                code = client.ack(queued.mid, queued.qos)
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    log.debug("ack.not_sent mid=%s code=%s", queued.mid, code)
        with self._changed:
            self._committed += len(batch)
            if self._connected:
                self._trouble = None
            self._changed.notify_all()

    def _fall_back(self) -> None:
        """Go on in MQTT 3.1.1 with a new client."""
        if not self._v5 or self._stopping.is_set():
            return
        log.info("broker.fallback to=3.1.1 host=%s port=%s", self._settings.host, self._port)
        self._v5 = False
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
        self._open_client()


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What was heard on a broker in a while.

    Attributes:
        payloads: Newest payload of each topic.
        retained: Topics whose payload the broker had kept from before.
    """

    payloads: dict[str, bytes]
    retained: frozenset[str]


def listen(settings: BrokerSettings, *, within: timedelta, port: int | None = None) -> Heard:
    """Listen to everything on a broker for a while, under a client id that leaves nothing behind.

    Raises:
        BrokerError: It does not answer or refuses us; says what to check.
    """
    payloads: dict[str, bytes] = {}
    retained: set[str] = set()
    answered = threading.Event()
    refused: list[str] = []
    tcp_port = settings.port if port is None else port

    def on_connect(client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        else:
            client.subscribe("#", qos=0)
        answered.set()

    def on_message(_client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        payloads[message.topic] = bytes(message.payload)
        if message.retain:
            retained.add(message.topic)

    client = new_client(settings, "", v5=False, keep=False, manual_ack=False)
    client.on_connect, client.on_message = on_connect, on_message
    _try_connecting(client, settings, tcp_port)
    client.loop_start()
    try:
        if not answered.wait(10):
            raise BrokerError(
                f"the broker at {settings.host}:{tcp_port} does not answer; is it a broker, and is tls = true needed?"
            )
        if refused:
            raise BrokerError(
                f"the broker at {settings.host}:{tcp_port} refuses us: {refused[0]}; see user and password_file "
                "under [broker] in farm.toml"
            )
        threading.Event().wait(within.total_seconds())
    finally:
        client.disconnect()
        client.loop_stop()
    return Heard(payloads=dict(payloads), retained=frozenset(retained))


def _try_connecting(client: paho.Client, settings: BrokerSettings, port: int) -> None:
    """Connect once, with the reason where it fails."""
    where = f"the broker at {settings.host}:{port}"
    try:
        client.connect(settings.host, port, keepalive=KEEP_ALIVE_S)
    except ssl.SSLError as exc:
        raise BrokerError(f"{where}: TLS failed: {exc.reason or exc}; see tls and ca_file under [broker]") from exc
    except socket.gaierror as exc:
        raise BrokerError(f"{where}: there is no such address; see host under [broker]") from exc
    except (OSError, ValueError) as exc:
        raise BrokerError(f"{where} cannot be reached: {exc}; is it running, and is the port right?") from exc
