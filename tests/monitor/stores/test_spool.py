"""The queue on disk before a server: in order, bounded, the oldest kept, over restarts and kills."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RejectedRowsError, StoreError, StoreUnavailableError
from monitor.readings import Block, Doubt, Flag, Reading
from monitor.stores.overlay import laid_over, newest
from monitor.stores.sender import LEAST_ROWS, MOST_ROWS, Sender
from monitor.stores.spool import Spool, packed, unpacked

T0 = datetime(2026, 3, 2, 7, tzinfo=UTC)


def block(*minutes: float, value: float = 20.0, sensor: str = "air") -> Block:
    """Return some readings."""
    rows = [Reading(sensor=sensor, measured_at=T0 + timedelta(minutes=each), value=value) for each in minutes]
    return Block.from_readings(rows)


class Server:
    """A server that keeps the latest of each key, and fails as it is told, one failure a write."""

    def __init__(self, *failures: Exception) -> None:
        """Begin empty."""
        self.failures = list(failures)
        self.writes: list[int] = []
        self.kept: dict[tuple[str, datetime], float] = {}

    def append(self, block: Block) -> None:
        """Keep a block, or fail."""
        self.writes.append(len(block))
        if self.failures:
            raise self.failures.pop(0)
        self.kept |= {(row.sensor, row.measured_at): row.value for row in block.readings()}


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    """Return an empty spool of 1 MB."""
    opened = Spool(tmp_path / "spool.db", most_bytes=1_000_000)
    yield opened
    opened.close()


def sender(spool: Spool, server: Server, tmp_path: Path) -> Sender:
    """Return a sender whose waits have no chance in them."""
    return Sender(spool, server, tmp_path / "lock", clock=lambda: T0, chance=lambda: 0.5)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["air", "damp", "ä b"]),
            st.integers(0, 2**40),
            st.floats(allow_nan=False),
            st.sampled_from(Flag),
        ),
        max_size=20,
    )
)
def test_a_block_survives_the_file(rows: list[tuple[str, int, float, Flag]]) -> None:
    """Every value, bit for bit."""
    given_ = Block.from_readings(
        Reading(sensor=name, measured_at=T0 + timedelta(milliseconds=ms), value=value, flag=flag, doubt=Doubt.CLAMPED)
        for name, ms, value, flag in rows
    )

    assert unpacked(packed(given_)).readings() == given_.readings()


def test_what_waits_goes_in_order_and_once(spool: Spool, tmp_path: Path) -> None:
    """A correction that was put later wins, also within one write."""
    server = Server()
    spool.put(block(0, 1, value=20))
    spool.put(block(1, value=21))
    waits = [sender(spool, server, tmp_path).step(), sender(spool, server, tmp_path).step()]

    assert (waits, server.writes, spool.is_empty()) == ([0.0, None], [2], True)
    assert server.kept == {("air", T0): 20.0, ("air", T0 + timedelta(minutes=1)): 21.0}


def filled(spool: Spool) -> Iterator[int]:
    """Put readings until there is no room, and yield the minute of each that was taken."""
    for minute in range(10_000):
        try:
            spool.put(block(minute))
        except StoreUnavailableError:
            return
        yield minute


def test_a_full_spool_takes_nothing_in_and_lets_nothing_go(tmp_path: Path) -> None:
    """The oldest is kept; what does not fit is refused before it is acknowledged to anybody."""
    spool = Spool(tmp_path / "spool.db", most_bytes=60_000)
    put = list(filled(spool))
    with pytest.raises(StoreUnavailableError, match="is full"):
        spool.put(block(0))
    server = Server()
    step = sender(spool, server, tmp_path).step
    while step() is not None:
        pass
    spool.put(block(99_999))
    waiting = spool.waiting()
    spool.close()

    assert len(put) > 50
    assert sorted(at for _, at in server.kept) == [T0 + timedelta(minutes=each) for each in put]
    assert waiting == 1


def test_a_full_disk_is_refused_before_it_is_quite_full(tmp_path: Path) -> None:
    """Ledger and readings need room too."""
    spool = Spool(tmp_path / "spool.db", most_bytes=10**9, free_bytes=lambda _: 50_000_000)
    with pytest.raises(StoreUnavailableError, match="make room"):
        spool.put(block(0))
    spool.close()


def test_failures_wait_longer_each_time_and_as_long_as_the_server_says(spool: Spool, tmp_path: Path) -> None:
    """Half a second, doubled up to a minute; Retry-After where it is longer; then all is well."""
    gone = StoreUnavailableError("gone")
    server = Server(
        *[gone] * 10, StoreUnavailableError("429", again_in=timedelta(minutes=5)), StoreError("no database")
    )
    taker = sender(spool, server, tmp_path)
    spool.put(block(0))
    waits = [taker.step() for _ in range(13)]

    assert waits == [0.5, 1, 2, 4, 8, 16, 32, 60, 60, 60, 300, 60, 0]
    assert taker.trouble is None
    assert len(server.kept) == 1


def test_a_slow_server_is_asked_for_less(spool: Spool, tmp_path: Path) -> None:
    """Each failure halves a write, each success doubles it."""
    server = Server(*[StoreUnavailableError("too slow")] * 9)
    taker = sender(spool, server, tmp_path)
    for minute in range(300):
        spool.put(block(minute))
    for _ in range(9):
        taker.step()
    while taker.step() is not None:
        pass

    assert max(server.writes) == 300  # all that waits, within MOST_ROWS
    assert server.writes[9] == LEAST_ROWS < MOST_ROWS
    assert len(server.kept) == 300


def test_refused_rows_are_kept_with_the_servers_words(spool: Spool, tmp_path: Path) -> None:
    """They leave the queue, and others do not wait behind them."""
    server = Server(RejectedRowsError([("temperature value=x 1", "unable to parse")]))
    told: list[tuple[bytes, str]] = []
    taker = Sender(
        spool, server, tmp_path / "lock", clock=lambda: T0, quarantine=lambda _at, _t, row, why: told.append((row, why))
    )
    spool.put(block(0))
    taker.step()

    assert spool.refused() == [("temperature value=x 1", "unable to parse")]
    assert told == [(b"temperature value=x 1", "unable to parse")]
    assert (spool.is_empty(), spool.refused_count()) == (True, 1)


def test_of_two_processes_on_one_spool_one_sends(spool: Spool, tmp_path: Path) -> None:
    """The lock goes to the other when the first is done."""
    one, other = sender(spool, Server(), tmp_path), sender(spool, Server(), tmp_path)
    held = [one.holds_lock(), other.holds_lock(), one.holds_lock()]
    one.stop()

    assert held == [True, False, True]
    assert other.holds_lock()
    other.stop()


def test_a_thread_sends_what_is_put_at_once(spool: Spool, tmp_path: Path) -> None:
    """No look at an interval is needed for what this process puts."""
    server = Server()
    taker = sender(spool, server, tmp_path)
    taker.start()
    for minute in range(20):
        spool.put(block(minute))
        taker.news()
    drained = taker.drained(timedelta(seconds=20))
    taker.stop()

    assert drained
    assert len(server.kept) == 20


CHILD = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from monitor.readings import Block, Reading
from monitor.stores.spool import Spool
spool = Spool(Path(sys.argv[1]), most_bytes=10**9)
minute = 0
while True:
    at = datetime(2026, 3, 2, 7, tzinfo=UTC) + timedelta(minutes=minute)
    spool.put(Block.from_readings([Reading(sensor="air", measured_at=at, value=20.0)]))
    minute += 1
    print(minute, flush=True)
"""


def test_what_put_returned_for_survives_a_kill(tmp_path: Path) -> None:
    """A process killed in the middle has lost nothing that it was told is kept."""
    path = tmp_path / "spool.db"
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    promised = next(int(line) for line in child.stdout if int(line) >= 200)
    os.kill(child.pid, signal.SIGKILL)
    promised = max([promised, *(int(line) for line in child.stdout.read().split())])
    child.stdout.close()
    child.wait(20)

    spool = Spool(path, most_bytes=10**9)
    kept = spool.waiting()
    spool.close()
    assert promised <= kept <= promised + 1


def test_what_is_no_spool_is_refused(tmp_path: Path) -> None:
    """Rubbish under the name is left alone."""
    path = tmp_path / "spool.db"
    path.write_text("not a database, " * 100, encoding="utf-8")

    with pytest.raises(StoreError, match=r"spool\.db"):
        Spool(path, most_bytes=10**6)
    assert path.read_text(encoding="utf-8").startswith("not a database")


@given(st.lists(st.tuples(st.sampled_from(["air", "damp"]), st.integers(0, 5), st.integers(0, 99)), max_size=30))
def test_the_newest_of_each_key_is_left_in_order(rows: list[tuple[str, int, int]]) -> None:
    """The same as a dictionary that is written to in order, whether it is one block or two laid over each other."""
    made = [
        Reading(sensor=name, measured_at=T0 + timedelta(minutes=minute), value=float(value))
        for name, minute, value in rows
    ]
    expected = {(row.sensor, row.measured_at): row for row in made}
    half = len(made) // 2
    over = laid_over(Block.from_readings(made[:half]), Block.from_readings(made[half:]), ["air", "damp"])

    assert {(row.sensor, row.measured_at): row for row in newest(Block.from_readings(made)).readings()} == expected
    assert over.readings() == [expected[key] for key in sorted(expected)]
