"""A broker that misbehaves on purpose: a few packets of MQTT 3.1.1 over a real socket, for what no real one does."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta

_CONNECT, _PUBLISH, _PUBACK, _SUBSCRIBE, _DISCONNECT = 0x10, 0x30, 0x40, 0x80, 0xE0


def publish_packet(topic: str, payload: bytes, mid: int, *, again: bool = False) -> bytes:
    """Return a PUBLISH at QoS 1, as the broker sends it."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + mid.to_bytes(2, "big") + payload
    assert len(body) < 128
    return bytes([0x3A if again else 0x32, len(body)]) + body


MALFORMED = b"\x32\x03\xff\xff\x00"  # a PUBLISH whose topic is longer than the packet


class FakeBroker:
    """Answers each connection in turn as its script says.

    Attributes:
        port: Where it listens.
        levels: Protocol level of each CONNECT, in order (4 is MQTT 3.1.1, 5 is 5).
        acks: Packet ids acknowledged, by number of the connection, from 1.
    """

    def __init__(
        self,
        *,
        sends: Callable[[int], list[bytes]] = lambda _number: [],
        to_v5: bytes | None = None,
        to_subscribe: int = 1,
    ) -> None:
        """Take what is sent after the subscription to connection ``number``, and what MQTT 5 is answered."""
        self._sends, self._to_v5, self._to_subscribe = sends, to_v5, to_subscribe
        self.levels: list[int] = []
        self.acks: dict[int, list[int]] = {}
        self._changed = threading.Condition()
        self._open: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def wait_for(self, condition: Callable[[], bool], within: timedelta = timedelta(seconds=20)) -> bool:
        """Wait until a condition holds, looked at after every packet."""
        with self._changed:
            return self._changed.wait_for(condition, within.total_seconds())

    def hang_up(self) -> None:
        """Close all connections, but go on listening."""
        for each in self._open:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def stop(self) -> None:
        """Close everything."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.hang_up()
        for thread in self._threads:
            thread.join(5)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._open.append(connection)
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, suppress(OSError, EOFError):
            number = 0
            while True:
                kind, body = self._packet(connection)
                with self._changed:
                    if kind == _CONNECT:
                        self.levels.append(body[6])
                        number = len(self.levels)
                        self.acks[number] = []
                    elif kind == _PUBACK:
                        self.acks[number].append(int.from_bytes(body[:2], "big"))
                    self._changed.notify_all()
                if kind == _CONNECT and body[6] == 5 and self._to_v5 is not None:
                    connection.sendall(self._to_v5)
                    return
                if kind == _DISCONNECT:
                    return
                connection.sendall(self._answer(kind, body, number))

    def _answer(self, kind: int, body: bytes, number: int) -> bytes:
        """Return what the broker says to a packet."""
        if kind == _CONNECT:
            return b"\x20\x02\x00\x00"
        if kind == _SUBSCRIBE:
            return b"\x90\x03" + body[:2] + bytes([self._to_subscribe]) + b"".join(self._sends(number))
        if kind == _PUBLISH:
            length = int.from_bytes(body[:2], "big")
            return b"\x40\x02" + body[2 + length : 4 + length]
        return b""

    @staticmethod
    def _packet(connection: socket.socket) -> tuple[int, bytes]:
        """Read one packet: its kind and what follows its fixed header."""

        def take(count: int) -> bytes:
            taken = b""
            while len(taken) < count:
                more = connection.recv(count - len(taken))
                if not more:
                    raise EOFError
                taken += more
            return taken

        kind = take(1)[0] & 0xF0
        length, shift = 0, 0
        while True:
            byte = take(1)[0]
            length |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return kind, take(length)


@contextmanager
def fake_broker(
    *,
    sends: Callable[[int], list[bytes]] = lambda _number: [],
    to_v5: bytes | None = None,
    to_subscribe: int = 1,
) -> Iterator[FakeBroker]:
    """Run a fake broker for a while."""
    broker = FakeBroker(sends=sends, to_v5=to_v5, to_subscribe=to_subscribe)
    try:
        yield broker
    finally:
        broker.stop()
