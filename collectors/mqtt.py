"""Readings over MQTT: nothing is acknowledged to the broker before it is on disk.

The network thread only puts messages into a bounded queue. One writer thread takes what is queued, stores it
in one transaction, and acknowledges it in order of arrival, each message once and only over the connection
that it came by.
"""

from __future__ import annotations

import json
import logging
import queue
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from uuid import uuid4

import paho.mqtt.client as paho
from paho.mqtt.subscribeoptions import SubscribeOptions

from collectors.intake import store_all
from collectors.mqtt_client import Client, connect, new_client
from collectors.pipeline import Message, Pipeline, Prepared
from monitor.clock import Clock
from monitor.errors import BrokerError, ChannelError, StoreError
from monitor.farm import BrokerSettings
from monitor.readings import Block
from monitor.stores.protocol import ReadingStore

log = logging.getLogger(__name__)

_QUEUE = 20_000
_BATCH = 5_000
_PUT_STEP_S, _PUT_STEPS = 1.0, 20  # together less than the keep-alive
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0
_SHARED_BACK_S = 2
"""mosquitto 2.0.11 forgets shared subscriptions when it restarts (ordinary ones it keeps): what comes before the first
collector has subscribed anew is kept for nobody, so they come back soon."""
_PUBLISH_WITHIN_S = 10.0
_UNSUPPORTED_VERSION = "Unsupported protocol version"
_SILENT_REFUSALS = 3  # connections closed without an answer before MQTT 3.1.1 is tried


class _Queued(NamedTuple):
    """A message with what its acknowledgement needs."""

    message: Message
    mid: int
    qos: int
    connection: int


class _Stop:
    """Put into the queue to end the writer."""


class _Mark:
    """Put into the queue behind all that was held for us."""


class _Fallback:
    """Put into the queue to go on in MQTT 3.1.1."""


_Ending = _Stop | _Mark | _Fallback


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
        room: int = _QUEUE,
        share: str | None = None,
        leaves: bool = False,
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
            room: How many messages may wait for the writer.
            share: Name of the group of collectors that share the messages among them (MQTT 5 only); None: all of
                them are ours.
            leaves: Take no new share; what the broker holds for us already is taken in, then ``has_left`` is true,
                and with stop() the broker forgets us.
        """
        self._settings, self._pipeline, self._store, self._clock = settings, pipeline, store, clock
        self._port = settings.port if port is None else port
        self._after_commit = after_commit
        self._v5 = speaks_v5
        self._share, self._leaves = share, leaves
        self._end_mark: bytes | None = None
        self._unsubscribing: set[int | None] = set()
        self._left = False
        self._queue: queue.SimpleQueue[_Queued | _Ending] = queue.SimpleQueue()  # bounded by _take
        self._room, self._was_taken = room, threading.Event()
        self._connection = 0
        self._acknowledging = threading.Lock()
        self._was_answered = self._was_refused = False
        self._silent_refusals = 0
        self._asked: dict[int | None, str] = {}
        self._refused_topics: tuple[str, ...] = ()
        self._stopping = threading.Event()
        self._changed = threading.Condition()
        self._committed = 0
        self._connected = False
        self._connected_at: datetime | None = None
        self._trouble: str | None = None
        self._client: Client | None = None
        self._writer: threading.Thread | None = None

    # -- from outside ---------------------------------------------------------------------------------------

    def start(self) -> None:
        """Connect and listen; returns at once, connecting goes on by itself.

        Raises:
            BrokerError: The settings cannot be used.
        """
        self._open_client()
        self._writer = threading.Thread(target=self._write_until_stopped, name="readings-writer", daemon=True)
        self._writer.start()

    def stop(self, within: timedelta = timedelta(seconds=10)) -> None:
        """Store and acknowledge what is queued, say good-bye, and end both threads; a second call does nothing."""
        if self._stopping.is_set():
            return
        self._stopping.set()
        if self._writer is not None:
            self._queue.put(_Stop())
            self._writer.join(within.total_seconds())
        client = self._client
        if client is not None:
            self._say_good_bye()
            client.end(within, forget=self._left)

    def _say_good_bye(self) -> None:
        """Leave "stopped" as the kept heartbeat, or none where we have left for good.

        The broker's confirmation is waited for: left unread when the connection closes, it resets the connection,
        and a broker that is reset before it has read our disconnect publishes the last will, "gone".
        """
        try:
            last = b"" if self._left else self._state("stopped").encode()  # an empty one takes the kept one away
            self.publish(self._settings.heartbeat_topic, last, retain=True)
        except ChannelError as exc:
            log.warning("heartbeat.not_left why=%s", exc)

    @property
    def is_connected(self) -> bool:
        """Tell whether the broker answers."""
        return self._connected

    @property
    def has_left(self) -> bool:
        """Tell whether all that the broker held for a collector that leaves is stored."""
        return self._left

    @property
    def trouble(self) -> str | None:
        """Return what the broker or store said last when something failed; None: all is well."""
        if self._trouble is None and self._refused_topics:
            return f"the broker does not let us read {', '.join(self._refused_topics)}; its list of rights decides"
        if self._trouble is None and not self._connected:
            return f"there is no connection to {self._settings.host}:{self._port} yet"
        return self._trouble

    @property
    def committed(self) -> int:
        """Return how many messages were stored (or set aside) and acknowledged."""
        return self._committed

    def wait_for(self, condition: Callable[[], bool], within: timedelta) -> bool:
        """Wait until a condition on this collector holds, looked at after every change; tell whether it does."""
        with self._changed:
            return self._changed.wait_for(condition, within.total_seconds())

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish one message at QoS 1 and wait until the broker has it.

        Raises:
            ChannelError: The broker is gone, or did not answer in time, or the topic cannot be.
        """
        client = self._client
        if client is None or not self._connected:
            raise ChannelError("the broker is not connected; the message waits in the outbox")
        try:
            told = client.publish(topic, payload, qos=1, retain=retain)
            told.wait_for_publish(_PUBLISH_WITHIN_S)
        except (ValueError, RuntimeError) as exc:
            raise ChannelError(f"the broker did not take the message: {exc}") from exc
        if not told.is_published():
            raise ChannelError(f"the broker did not confirm the message within {_PUBLISH_WITHIN_S:g} s")

    def beat(self) -> None:
        """Publish the monitor's own heartbeat; nothing happens while the broker is gone."""
        if self._client is not None and self._connected:
            self._say_state(self._client, "running")

    # -- network thread -------------------------------------------------------------------------------------

    def _open_client(self) -> None:
        """Make a client and begin connecting."""
        client = new_client(self._settings, self._settings.client_id, v5=self._v5, keep=True, manual_ack=True)
        if self._share is not None:
            client.reconnect_delay_set(1, _SHARED_BACK_S)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_disconnect = self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_socket_close = self._on_socket_close
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

    def _on_pre_connect(self, client: paho.Client, _userdata: Any) -> None:
        """Leave the last will anew, since it says since when we were connected."""
        try:
            self._was_answered = self._was_refused = False
            self._connected_at = self._clock()
            client.will_set(self._settings.heartbeat_topic, self._state("gone"), qos=1, retain=True)
        except Exception:
            log.exception("broker.pre_connect_handler_failed")

    def _on_connect(self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Subscribe anew and say that we run; or go on in MQTT 3.1.1."""
        try:
            self._was_answered = True
            if self._v5 and str(reason) == _UNSUPPORTED_VERSION:
                if self._share is None:
                    self._ask_for_fallback()
                else:
                    self._was_refused = True
                    self._note(connected=False, trouble="the broker speaks no MQTT 5, which sharing needs")
                return
            if reason.is_failure:
                self._was_refused = True
                log.error("broker.refused host=%s port=%s why=%s", self._settings.host, self._port, reason)
                self._note(connected=False, trouble=f"the broker refuses us: {reason}")
                return
            self._silent_refusals = 0
            if self._leaves:
                self._unsubscribe(client)
            else:
                self._subscribe(client)
            self._say_state(client, "running")
            log.info("broker.connected host=%s port=%s v5=%s", self._settings.host, self._port, self._v5)
            self._note(connected=True)
        except Exception:
            log.exception("broker.connect_handler_failed")

    def _subscribe(self, client: paho.Client) -> None:
        """Ask for the topics of all sensors; a known subscription brings no kept messages again (MQTT 5)."""
        self._asked, self._refused_topics = {}, ()
        options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        for each in self._filters():
            _, mid = client.subscribe(each, options=options) if self._v5 else client.subscribe(each, qos=1)
            self._asked[mid] = each

    def _filters(self) -> tuple[str, ...]:
        """Return what is subscribed to. Source: [MQTT5] section 4.8.2, shared subscriptions."""
        filters = self._pipeline.routes.filters
        return filters if self._share is None else tuple(f"$share/{self._share}/{each}" for each in filters)

    def _unsubscribe(self, client: paho.Client) -> None:
        """Give up our share; what was dealt to us before still comes."""
        self._unsubscribing = set()
        for each in self._filters():
            self._unsubscribing.add(client.unsubscribe(each)[1])

    def _on_unsubscribe(self, client: paho.Client, _userdata: Any, mid: int, _codes: Any, _properties: Any) -> None:
        """Once nothing more is dealt to us, send ourselves a mark: the broker hands it over behind all that waits."""
        try:
            self._unsubscribing.discard(mid)
            if self._unsubscribing or not self._leaves:
                return
            self._end_mark = uuid4().hex.encode()
            client.subscribe(self._mark_topic, options=SubscribeOptions(qos=1))
            client.publish(self._mark_topic, self._end_mark, qos=1)
        except Exception:
            log.exception("broker.unsubscribe_handler_failed")

    @property
    def _mark_topic(self) -> str:
        """Return the topic of the mark that we send ourselves."""
        return f"{self._settings.heartbeat_topic}/end"

    def _on_subscribe(self, _client: paho.Client, _userdata: Any, mid: int, codes: Any, _properties: Any) -> None:
        """Say which topics the broker does not let us read."""
        try:
            topic = self._asked.get(mid)
            if topic is not None and any(code.is_failure for code in codes):
                log.error("broker.subscription_refused topic=%s why=%s", topic, codes[0])
                self._refused_topics = (*self._refused_topics, topic)
                self._note(trouble=self._trouble)
        except Exception:
            log.exception("broker.subscribe_handler_failed")

    def _on_disconnect(self, _client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Note that the broker is gone; one that hangs up without a word may not speak MQTT 5."""
        try:
            if self._was_refused:
                return  # that is what is to be told
            if not self._stopping.is_set():
                log.warning("broker.gone host=%s port=%s why=%s", self._settings.host, self._port, reason)
            self._note(connected=False, trouble=f"the connection to the broker ended: {reason}")
            if not self._was_answered and self._v5 and self._share is None:
                self._silent_refusals += 1
                if self._silent_refusals >= _SILENT_REFUSALS:
                    self._ask_for_fallback()
        except Exception:
            log.exception("broker.disconnect_handler_failed")

    def _on_connect_fail(self, _client: paho.Client, _userdata: Any) -> None:
        """Note that nobody listens at the broker's address."""
        self._note(connected=False, trouble=f"nobody answers at {self._settings.host}:{self._port}")

    def _on_socket_close(self, _client: paho.Client, _userdata: Any, _socket: Any) -> None:
        """End the connection's number before anything else can be sent: ids may mean other messages on the next."""
        with self._acknowledging:
            self._connection += 1
        with self._changed:
            self._connected = False
            self._changed.notify_all()

    def _on_message(self, client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        """Queue one message; whatever is wrong with it must not end the network thread."""
        try:
            arrived = Message(message.topic, bytes(message.payload), self._clock(), message.retain, message.dup)
            if self._leaves and message.topic == self._mark_topic:
                if arrived.payload == self._end_mark:  # one of an earlier try may lie in the queue
                    self._queue.put(_Mark())
                client.ack(message.mid, message.qos)
                return
            if not self._take(_Queued(arrived, message.mid, message.qos, self._connection)):
                log.warning("message.not_taken topic=%s why=queue full; the broker keeps it", message.topic)
                self._end_mark = None  # it may lie behind what comes again
                self._break_off(client)  # so that all that was not acknowledged comes again, in its order
        except Exception:
            log.exception("message.handler_failed")

    def _take(self, queued: _Queued) -> bool:
        """Put a message into the queue, waiting a while for room; tell whether there was any."""
        for _ in range(_PUT_STEPS):
            if self._queue.qsize() < self._room:  # nobody else puts messages in
                self._queue.put(queued)
                return True
            if self._stopping.is_set():
                return False
            self._was_taken.wait(_PUT_STEP_S)
            self._was_taken.clear()
        return False

    def _ask_for_fallback(self) -> None:
        """Have the writer go on in MQTT 3.1.1."""
        self._queue.put(_Fallback())

    @staticmethod
    def _break_off(client: paho.Client | None) -> None:
        """Cut the connection; the network thread connects anew."""
        if isinstance(client, Client):
            client.break_off()

    def _state(self, state: str) -> str:
        """Return the heartbeat's payload; the last will was written before the end and does not know its instant."""
        connected_at = None if self._connected_at is None else self._connected_at.isoformat()
        at = None if state == "gone" else self._clock().isoformat()
        return json.dumps({"schema": "traywarden.heartbeat/1", "state": state, "at": at, "connected_at": connected_at})

    def _say_state(self, client: paho.Client, state: str) -> None:
        """Publish the heartbeat, kept by the broker for who asks later."""
        client.publish(self._settings.heartbeat_topic, self._state(state), qos=1, retain=True)

    # -- writer thread --------------------------------------------------------------------------------------

    def _write_until_stopped(self) -> None:
        """Take what is queued, store it at once, acknowledge it; never wait for more to come."""
        ending: _Ending | None = None
        while not isinstance(ending, _Stop):
            batch, ending = self._next_batch()
            try:
                if batch and not self._commit(batch):
                    return
                if isinstance(ending, _Fallback):
                    self._fall_back()
                elif isinstance(ending, _Mark):
                    self._note_left()
            except Exception:
                log.exception("writer.failed messages=%s; they come again", len(batch))
                self._break_off(self._client)

    def _note_left(self) -> None:
        """Note that nothing is held for us any more."""
        with self._changed:
            self._left = True
            self._changed.notify_all()

    def _next_batch(self) -> tuple[list[_Queued], _Ending | None]:
        """Return the messages that are queued now, one at least, and what ended the taking."""
        batch: list[_Queued] = []
        item = self._queue.get()
        try:
            while isinstance(item, _Queued):
                batch.append(item)
                if len(batch) >= _BATCH:
                    return batch, None
                item = self._queue.get_nowait()
            return batch, item
        except queue.Empty:
            return batch, None
        finally:
            self._was_taken.set()

    def _commit(self, batch: list[_Queued]) -> bool:
        """Store a batch, trying until it is on disk, then acknowledge it; False: stopped before it was."""
        messages = [queued.message for queued in batch]
        stored: Prepared | None = None
        wait_s = _FIRST_WAIT_S
        while True:
            try:
                with self._pipeline.turn:
                    if stored is None:
                        stored = self._store_all(messages)
                    self._pipeline.settle(stored)
                break
            except StoreError as exc:
                log.error("store.failed messages=%s again_in_s=%s why=%s", len(batch), wait_s, exc)
                self._note(trouble=str(exc))
            except Exception as exc:
                log.exception("store.unexpected messages=%s again_in_s=%s", len(batch), wait_s)
                self._note(trouble=f"unexpected: {exc}")
            if self._stopping.wait(wait_s):
                return False  # not acknowledged: the broker hands it over again
            wait_s = min(wait_s * 2, _LONGEST_WAIT_S)
        self._hand_on(stored.block)
        self._acknowledge(batch)
        return True

    def _store_all(self, messages: list[Message]) -> Prepared:
        """Store what some messages become; see store_all."""
        return store_all(messages, self._pipeline, self._store)

    def _hand_on(self, block: Block) -> None:
        """Tell who wants to know of a stored block; what goes wrong there costs no reading."""
        try:
            self._after_commit(block)
        except Exception:
            log.exception("after_commit.failed")

    def _acknowledge(self, batch: list[_Queued]) -> None:
        """Tell the broker that the batch is done; a message of an earlier connection is left out."""
        client = self._client
        with self._acknowledging:
            mids = [each.mid for each in batch if each.qos > 0 and each.connection == self._connection]
            if client is not None and mids:  # no subscription asks for more than QoS 1
                client.ack_all(mids)
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
            self._client.end(timedelta(seconds=10))
        try:
            self._open_client()
        except BrokerError as exc:
            log.error("broker.fallback_failed why=%s", exc)
            self._note(connected=False, trouble=str(exc))
