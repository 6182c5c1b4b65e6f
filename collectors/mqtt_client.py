"""A client of an MQTT broker, set up as the settings say: user, TLS, version, session, a network thread that lasts."""

from __future__ import annotations

import logging
import os
import socket
import ssl
import threading
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MessageType, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.errors import BrokerError
from monitor.farm import BrokerSettings

log = logging.getLogger(__name__)

SESSION_KEPT = timedelta(days=30)
"""How long a broker is asked to keep messages for us while we are away."""
KEEP_ALIVE_S = 60
_IN_FLIGHT = 1_000
"""How many messages an MQTT 5 broker may have handed over without our acknowledgement."""
_AFTER_FAULT_S = 1.0
_PUBACK_HEAD = 0x4002
"""First byte and length of every acknowledgement."""


class Client(paho.Client):
    """A client whose network thread ends only when it is told to."""

    def __init__(self, *args: Any, **options: Any) -> None:
        """Take what paho's client takes."""
        super().__init__(*args, **options)
        self._told_to_end = threading.Event()

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:
        """Run the network; a packet that trips the library costs the connection, not the thread."""
        while True:
            try:
                return super().loop_forever(timeout, retry_first_connection)
            except Exception:
                log.exception("network.failed; connecting anew")
            if self._told_to_end.wait(_AFTER_FAULT_S):
                return MQTTErrorCode.MQTT_ERR_SUCCESS
            try:
                self.reconnect()
            except Exception as exc:  # loop_forever tries again, with its growing waits
                log.warning("network.not_reconnected why=%s", exc)

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1, in this order, in one write.

        One call of ack() each would wake the network thread, and write to the socket, once a message. The packets are
        the same; reason and properties are left out where all is well ([MQTT5] section 3.4.2).
        """
        packets = np.empty(len(mids), dtype=[("head", ">u2"), ("mid", ">u2")])
        packets["head"], packets["mid"] = _PUBACK_HEAD, mids
        if len(mids):
            self._packet_queue(MessageType.PUBACK, packets.tobytes(), mids[-1], 1)

    def break_off(self) -> None:
        """Cut the connection; the network thread connects anew, and the broker hands out again what it must."""
        sock = self.socket()
        if isinstance(sock, socket.socket):
            try:
                sock.shutdown(socket.SHUT_RDWR)
            except OSError as exc:
                log.debug("network.already_down why=%s", exc)

    def end(self, within: timedelta, *, forget: bool = False) -> None:
        """Say good-bye and end the network thread, also where the broker hangs; forget: the broker keeps nothing."""
        self._told_to_end.set()
        if forget:
            properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call] # untyped in paho
            properties.SessionExpiryInterval = 0
            self.disconnect(properties=properties)
        else:
            self.disconnect()
        ending = threading.Thread(target=self.loop_stop, name="mqtt-ending", daemon=True)
        ending.start()
        ending.join(within.total_seconds())
        if ending.is_alive():
            log.warning("network.not_ended after_s=%s", within.total_seconds())


def secret_of(settings: BrokerSettings) -> str | None:
    """Return the broker's password from its file or environment variable, or None.

    Raises:
        BrokerError: The file cannot be read, or the variable is not set.
    """
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


def new_client(settings: BrokerSettings, client_id: str, *, v5: bool, keep: bool, manual_ack: bool) -> Client:
    """Return a client that is set up but not connected.

    Args:
        settings: Broker, user, TLS.
        client_id: The id that the broker knows the session by; empty: the broker or the library makes one up.
        v5: Speak MQTT 5; else 3.1.1.
        keep: Ask for a session that outlives the connection.
        manual_ack: We acknowledge ourselves.

    Raises:
        BrokerError: Password or certificate authority cannot be read.
    """
    clean = {} if v5 else {"clean_session": not keep}  # MQTT 5 refuses the argument even as None
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=paho.MQTTv5 if v5 else paho.MQTTv311,
        manual_ack=manual_ack,
        **clean,
    )
    password = secret_of(settings)
    if settings.user is not None:
        client.username_pw_set(settings.user, password)
    if settings.tls:
        try:
            client.tls_set(ca_certs=str(settings.ca_file) if settings.ca_file else None)
        except (OSError, ValueError) as exc:  # ssl.SSLError is an OSError
            raise BrokerError(f"ca_file {settings.ca_file} of [broker] is no readable certificate: {exc}") from exc
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
    try:
        client.connect_async(settings.host, port, keepalive=KEEP_ALIVE_S, **_session(v5=v5, keep=keep))
    except ValueError as exc:
        raise BrokerError(f"broker address {settings.host}:{port}: {exc}") from exc


def connect_once(client: paho.Client, settings: BrokerSettings, port: int, *, v5: bool) -> None:
    """Connect now, with a session that leaves nothing behind.

    Raises:
        BrokerError: It cannot be; says why, and what to check.
    """
    where = f"the broker at {settings.host}:{port}"
    try:
        client.connect(settings.host, port, keepalive=KEEP_ALIVE_S, **_session(v5=v5, keep=False))
    except ssl.SSLCertVerificationError as exc:
        raise BrokerError(
            f"{where}: TLS failed: its certificate is not trusted ({exc.verify_message}); see ca_file under [broker]"
        ) from exc
    except ssl.SSLError as exc:
        raise BrokerError(f"{where}: TLS failed: {exc.reason or exc}; see tls and ca_file under [broker]") from exc
    except socket.gaierror as exc:
        raise BrokerError(f"{where}: there is no such address; see host under [broker]") from exc
    except (OSError, ValueError) as exc:
        raise BrokerError(f"{where} cannot be reached: {exc}; is it running, and is the port right?") from exc


def _session(*, v5: bool, keep: bool) -> dict[str, Any]:
    """Return what connect needs beside the address; MQTT 3.1.1 has it in the client already."""
    if not v5:
        return {}
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # untyped in paho
    properties.SessionExpiryInterval = int(SESSION_KEPT.total_seconds()) if keep else 0
    properties.ReceiveMaximum = _IN_FLIGHT
    return {"clean_start": not keep, "properties": properties}
