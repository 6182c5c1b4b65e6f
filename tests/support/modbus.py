"""pymodbus' own simulator server, over TCP and over a pair of pseudo-terminals that stand for a serial line."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import threading
import tty
from collections.abc import Coroutine, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def device(unit: int, *data: SimData) -> SimDevice:
    """Return one transmitter with its registers."""
    return SimDevice(unit, list(data))


def registers(address: int, *words: int) -> SimData:
    """Return bare 16-bit registers from an address on."""
    return SimData(address, values=list(words), datatype=DataType.REGISTERS)


class _Loop:
    """An event loop in a thread, for a server that lives on one."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run something on the loop and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(20)

    def close(self) -> None:
        """End the loop and its thread."""
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(10)
        self.loop.close()


class TcpServer:
    """A simulator server on a free port, which can be stopped and started again on the same one."""

    def __init__(self, *devices: SimDevice) -> None:
        """Start it."""
        self._devices, self._loop = list(devices), _Loop()
        self.port = 0
        self.start()

    def start(self) -> None:
        """Listen."""
        self.port = self._loop.run(self._start())

    async def _start(self) -> int:
        self._server = ModbusTcpServer(self._devices, address=("127.0.0.1", self.port))
        await self._server.serve_forever(background=True)
        transport: Any = self._server.transport
        return int(transport.sockets[0].getsockname()[1])

    def stop(self) -> None:
        """Hang up and listen no more."""
        self._loop.run(self._server.shutdown())  # type: ignore[no-untyped-call] # untyped there

    def close(self) -> None:
        """End it for good."""
        with suppress(Exception):
            self.stop()
        self._loop.close()


@contextmanager
def tcp_server(*devices: SimDevice) -> Iterator[TcpServer]:
    """Run a simulator server over TCP."""
    server = TcpServer(*devices)
    try:
        yield server
    finally:
        server.close()


@contextmanager
def serial_pair() -> Iterator[tuple[str, str]]:
    """Give the two ends of a line: what is written to one is read from the other."""
    pairs = [pty.openpty() for _ in range(2)]
    for end in (each for pair in pairs for each in pair):
        tty.setraw(end)
    (one, one_end), (other, other_end) = pairs
    stop_read, stop_write = os.pipe()

    def pump() -> None:
        while True:
            ready, _, _ = select.select([one, other, stop_read], [], [])
            if stop_read in ready:
                return
            for end in ready:
                os.write(other if end == one else one, os.read(end, 4096))

    thread = threading.Thread(target=pump, daemon=True)
    thread.start()
    try:
        yield os.ttyname(one_end), os.ttyname(other_end)
    finally:
        os.write(stop_write, b"x")
        thread.join(10)
        for end in (one, one_end, other, other_end, stop_read, stop_write):
            os.close(end)


@contextmanager
def serial_server(*devices: SimDevice) -> Iterator[str]:
    """Run a simulator server over RTU, and give the device file of the other end of its line."""
    loop = _Loop()
    with serial_pair() as (ours, theirs):

        async def start() -> ModbusSerialServer:
            server = ModbusSerialServer(list(devices), framer=FramerType.RTU, port=theirs, baudrate=19200)
            await server.serve_forever(background=True)
            return server

        server = loop.run(start())
        try:
            yield ours
        finally:
            loop.run(server.shutdown())
            loop.close()
