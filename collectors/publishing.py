"""A connection to the broker that only publishes: for who tells over MQTT and listens to nothing.

It speaks MQTT 3.1.1, which every broker does, and leaves no session behind.
"""

from __future__ import annotations

import logging
import threading
from datetime import timedelta
from typing import Any

from collectors.mqtt_client import Client, connect, new_client
from monitor.errors import BrokerError, ChannelError
from monitor.farm import BrokerSettings

log = logging.getLogger(__name__)

_WITHIN_S = 10.0
_AGAIN_WITHIN_S = 1.0
"""A broker that did not answer the last time keeps the other messages waiting no longer than this each. Ours."""
_END_WITHIN = timedelta(seconds=5)


class Publisher:
    """Publishes single messages, and waits until the broker has each."""

    def __init__(self, settings: BrokerSettings, *, within_s: float = _WITHIN_S) -> None:
        """Take the broker's settings; nothing is opened before the first message.

        Args:
            settings: Where the broker is.
            within_s: How long connecting, and confirming a message, may take. [s]
        """
        self._settings, self._within_s = settings, within_s
        self._client: Client | None = None
        self._answers = threading.Event()
        self._opening = threading.Lock()
        self._patience_s = within_s

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish one message at QoS 1 and wait until the broker has it.

        Raises:
            ChannelError: The broker is gone, or did not answer in time, its settings or the topic cannot be used.
        """
        try:
            client = self._opened()
        except BrokerError as exc:
            raise ChannelError(str(exc)) from exc
        where = f"the broker at {self._settings.host}:{self._settings.port}"
        patience_s, self._patience_s = self._patience_s, min(self._within_s, _AGAIN_WITHIN_S)
        if not self._answers.wait(patience_s):
            raise ChannelError(f"{where} is not connected; the message waits in the outbox")
        try:
            told = client.publish(topic, payload, qos=1)
            told.wait_for_publish(self._within_s)
        except (ValueError, RuntimeError) as exc:
            raise ChannelError(f"{where} did not take the message: {exc}") from exc
        if not told.is_published():
            raise ChannelError(f"{where} did not confirm the message within {self._within_s:g} s")

    def answers_within(self, seconds: float) -> bool:
        """Wait until the broker has taken the connection, for so long; tell whether it has."""
        return self._answers.wait(seconds)

    def _opened(self) -> Client:
        """Return the client, connecting since the first call; its thread goes on trying."""
        with self._opening:
            if self._client is None:
                client = new_client(self._settings, "", v5=False, keep=False, manual_ack=False)
                client.on_connect = self._on_connect
                client.on_disconnect = self._on_disconnect
                connect(client, self._settings, self._settings.port, v5=False, keep=False)
                client.loop_start()
                self._client = client
            return self._client

    def _on_connect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """Note whether the broker takes us."""
        if reason.is_failure:
            log.warning("publisher.refused why=%s", reason)
        else:
            self._answers.set()
            self._patience_s = self._within_s

    def _on_disconnect(self, *_: Any) -> None:
        """Note that the broker is gone."""
        self._answers.clear()

    def close(self) -> None:
        """Say good-bye; a second call does nothing."""
        with self._opening:
            if self._client is not None:
                self._client.end(_END_WITHIN)
                self._client = None
