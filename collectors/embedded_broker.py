"""The MQTT broker that comes with the installed packages: three methods, start, stop and port.

It speaks MQTT 3.1.1 on the loopback address only. It hands out again what was not acknowledged, but holds
everything in memory: what it holds is lost when it ends. A farm with sensors of its own is better served by a
broker that keeps its queue on disk (README, "The broker").
"""

from __future__ import annotations

import socket
from typing import Any

from monitor.errors import BrokerError

LISTEN = "127.0.0.1"
LARGEST_PAYLOAD = 1_048_576
"""Largest message that the broker takes. [bytes]"""


def free_port() -> int:
    """Return a TCP port that is free at this moment."""
    with socket.socket() as probe:
        probe.bind((LISTEN, 0))
        return int(probe.getsockname()[1])


class EmbeddedBroker:
    """A broker in a child process that ends with us."""

    def __init__(self, port: int = 0, *, listen: str = LISTEN) -> None:
        """Take the port to listen on; 0 takes a free one at the start."""
        self._port = port
        self._listen = listen
        self._broker: Any = None

    def start(self) -> None:
        """Start listening; a second call does nothing.

        Raises:
            BrokerError: The package does not run on this machine, or the port is taken.
        """
        if self._broker is not None:
            return
        try:
            from iotcore import Broker
        except ImportError as exc:
            raise BrokerError(
                "the embedded broker's package does not run on this kind of machine; install mosquitto "
                "(apt-get install mosquitto) and set embedded = false under [broker] in farm.toml"
            ) from exc
        self._port = self._port or free_port()
        broker = Broker(port=self._port, listen=self._listen, max_payload_size=LARGEST_PAYLOAD)
        try:
            broker.start()
        except (OSError, RuntimeError) as exc:
            raise BrokerError(
                f"the embedded broker cannot listen on port {self._port}: {exc}; another broker may run there: "
                "set embedded = false to use that one, or another port, under [broker] in farm.toml"
            ) from exc
        self._broker = broker

    def stop(self) -> None:
        """Stop listening; a second call does nothing."""
        if self._broker is not None:
            self._broker.stop()
            self._broker = None

    @property
    def port(self) -> int:
        """Return the TCP port; 0 before the first start where none was given."""
        return self._port
