"""Modbus against pymodbus' own simulator: TCP, and RTU over a pair of pseudo-terminals."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pymodbus.exceptions
import pytest
from pymodbus.simulator import DataType, SimData

from collectors.intake import Intake
from collectors.modbus import Line, ModbusCollector
from collectors.pipeline import Pipeline
from monitor.errors import FeedError, StoreUnavailableError
from monitor.farm import Farm
from monitor.feeds import ModbusLine
from monitor.readings import Block, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import farm, sensor_text
from tests.support.modbus import device, registers, serial_server, tcp_server

pytestmark = pytest.mark.live
NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
MAP = """
{sensors}
[[modbus]]
id = "bus"
{line}
answer_within_s = 0.3

[[register]]
sensor = "air"
line = "bus"
device = 1
table = "input"
address = 0
scale = 0.1
missing = [-32768]

[[register]]
sensor = "damp"
line = "bus"
device = 1
table = "input"
address = 1
type = "uint16"
scale = 0.1

[[register]]
sensor = "light"
line = "bus"
device = 2
address = 10
type = "float32"
word_order = "little"

[[register]]
sensor = "scale"
line = "bus"
device = 3
address = 100
type = "int32"
"""
SENSORS = "\n".join(
    sensor_text(name, quantity, "cellar").replace(f'topic = "t/{name}"\n', "") + more
    for name, quantity, more in (
        ("air", "temperature", ""),
        ("damp", "humidity", ""),
        ("light", "light", 'unit = "klx"\n'),
        ("scale", "weight", ""),
    )
)


def transmitters() -> list[object]:
    """Return three of them: air in tenths, light as a float whose low word comes first, a load cell in grams."""
    return [
        device(1, registers(0, 215, 603)),
        device(2, registers(10, 0x0000, 0x4148)),  # 12.5
        device(3, SimData(100, values=[-1250000], datatype=DataType.INT32)),
    ]


class Room:
    """A farm with one line, its store and its collector."""

    def __init__(self, folder: Path, line: str) -> None:
        """Build them; nothing is read yet."""
        self.farm: Farm = farm(folder, more=MAP.format(sensors=SENSORS, line=line))
        self.now = NOW
        self.store = SqliteReadingStore(folder / "readings.db")
        self.told: list[Block] = []
        self.pipeline = Pipeline(self.farm, quarantine=self.store.quarantine, latest=self.store.latest)
        intake = Intake(self.pipeline, self.store, after_commit=self.told.append)
        feeds = self.farm.feeds
        self.collector = ModbusCollector(
            feeds.lines["bus"], feeds.registers, self.farm.sensors, intake, clock=lambda: self.now, room=4
        )

    def stored(self) -> dict[str, float]:
        """Return the newest value of each sensor."""
        return {name: row.value for name, row in self.store.latest(list(self.farm.sensors)).items()}

    def close(self) -> None:
        """Let go of everything."""
        self.collector.stop()
        self.store.close()


@pytest.fixture
def tcp(tmp_path: Path) -> Iterator[tuple[object, Room]]:
    """Run the three transmitters behind a TCP gateway."""
    with tcp_server(*transmitters()) as server:  # type: ignore[arg-type] # SimDevice
        room = Room(tmp_path, f'host = "127.0.0.1"\nport = {server.port}')
        yield server, room
        room.close()


READ = {"air": 21.5, "damp": 60.3, "light": 12500.0, "scale": -1250000.0}


def test_registers_over_tcp_become_readings(tcp: tuple[object, Room]) -> None:
    """Word order, sign, scale and unit as the map says, at the instant of reading, flagged like any other."""
    _, room = tcp
    count = room.collector.poll()

    rows = room.store.latest(["air", "scale"])
    assert (count, room.stored()) == (4, READ)
    assert rows["air"] == Reading(sensor="air", measured_at=NOW, value=21.5, flag=Flag.PASS)
    assert rows["scale"].flag is Flag.FAIL  # no such weight can be: kept, and not judged on
    assert [len(block) for block in room.told] == [4]
    assert room.collector.trouble is None


def test_registers_over_a_serial_line_become_the_same_readings(tmp_path: Path) -> None:
    """RTU frames, over a pair of pseudo-terminals."""
    with serial_server(*transmitters()) as end:  # type: ignore[arg-type] # SimDevice
        room = Room(tmp_path, f'serial = "{end}"\nbaud = 19200')
        room.collector.poll()
        stored, trouble = room.stored(), room.collector.trouble
        room.close()

    assert (stored, trouble) == (READ, None)


def test_a_transmitter_that_is_away_costs_its_own_values_only(tmp_path: Path) -> None:
    """Two of three answer; the third is named with its registers, and what to look at."""
    with serial_server(*transmitters()[:2]) as end:  # type: ignore[arg-type] # SimDevice
        room = Room(tmp_path, f'serial = "{end}"\nbaud = 19200')
        room.collector.poll()
        stored, trouble = room.stored(), room.collector.trouble
        room.close()

    assert stored == {name: READ[name] for name in ("air", "damp", "light")}
    assert trouble is not None
    assert "unit 3, holding registers 100 to 101" in trouble


def test_a_line_that_is_gone_is_read_again_when_it_is_back(tcp: tuple[object, Room]) -> None:
    """Nothing is stored meanwhile, and the trouble is said and ends."""
    server, room = tcp
    room.collector.poll()
    server.stop()  # type: ignore[attr-defined] # TcpServer
    room.now = NOW + timedelta(minutes=1)
    away = room.collector.poll()
    told = room.collector.trouble
    server.start()  # type: ignore[attr-defined] # TcpServer
    room.now = NOW + timedelta(minutes=2)
    back = room.collector.poll()

    assert (away, back, room.store.count()) == (0, 4, 8)
    assert told is not None
    assert "Modbus line bus (127.0.0.1:" in told
    assert room.collector.trouble is None


def test_a_wrong_address_is_refused_in_words(tcp: tuple[object, Room]) -> None:
    """The transmitter's exception code is said in the words of the standard."""
    _, room = tcp
    from collectors.registers import Span

    room.collector.line.connect()
    with pytest.raises(
        FeedError, match=r"unit 1, input registers 7 to 7: refused with code 2: it has no such register"
    ):
        room.collector.line.read(Span(device=1, table="input", address=7, count=1, registers=()))


def test_what_the_store_cannot_take_waits_and_the_oldest_is_kept(tcp: tuple[object, Room]) -> None:
    """Three requests a round, room for four: the first round and one request of the second come through."""
    _, room = tcp
    append = room.store.append

    def fails(block: Block) -> None:
        raise StoreUnavailableError("the test's disk is full")

    room.store.append = fails  # type: ignore[method-assign] # the test's disk
    for minute in range(3):
        room.now = NOW + timedelta(minutes=minute)
        room.collector.poll()
    told, lost = room.collector.trouble, room.collector.lost
    room.store.append = append  # type: ignore[method-assign] # the test's disk
    room.collector.stop()
    air = room.store.read(["air"], NOW, NOW + timedelta(hours=1)).readings()

    assert told == "the test's disk is full"
    assert lost == 5
    assert [row.measured_at for row in air] == [NOW, NOW + timedelta(minutes=1)]
    assert room.store.count() == 6


def test_a_thread_reads_at_the_interval_until_stopped(tcp: tuple[object, Room]) -> None:
    """The first round begins at once."""
    import threading

    _, room = tcp
    read = threading.Event()
    room.collector._intake._after_commit = lambda _block: read.set()
    room.collector.start()

    assert read.wait(10)
    room.collector.stop()
    assert room.stored() == READ


@pytest.mark.parametrize(
    "kind",
    [each for each in vars(pymodbus.exceptions).values() if isinstance(each, type)],
    ids=lambda kind: kind.__name__,
)
def test_every_error_of_the_library_becomes_ours(kind: type[Exception]) -> None:
    """None of them gets past the line."""
    line = Line(ModbusLine(id="bus", host="127.0.0.1"))

    def fails(*_: object, **__: object) -> None:
        raise kind("the library's own words")

    from collectors.registers import Span

    line._client.read_holding_registers = fails
    with pytest.raises(FeedError, match="the library's own words"):
        line.read(Span(device=1, table="holding", address=0, count=1, registers=()))
