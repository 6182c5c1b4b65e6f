"""The SQLite file: durable when append returns, versions, quarantine, and what is told when it fails."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import NewerSchemaError, StoreError
from monitor.readings import Block, Reading
from monitor.rolling import Width
from monitor.stores.sqlite import SqliteReadingStore
from monitor.unread import QUARANTINE_ROWS

T0 = datetime(2026, 3, 2, tzinfo=UTC)
CHILD = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from monitor.readings import Block, Reading
from monitor.stores.sqlite import SqliteReadingStore
store = SqliteReadingStore(Path(sys.argv[1]))
minute = 0
while True:
    rows = [Reading(sensor="air", measured_at=datetime(2026, 3, 2, tzinfo=UTC) + timedelta(minutes=minute + n), value=n)
            for n in range(10)]
    store.append(Block.from_readings(rows))
    minute += 10
    print(minute, flush=True)
"""


def test_what_append_returned_for_survives_a_kill(tmp_path: Path) -> None:
    """A process killed in the middle of appending has lost nothing that it was told is kept."""
    path = tmp_path / "readings.db"
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    promised = 0
    for line in child.stdout:
        promised = int(line)
        if promised >= 500:
            break
    os.kill(child.pid, signal.SIGKILL)
    rest = child.stdout.read().split()
    child.stdout.close()
    child.wait(20)
    promised = int(rest[-1]) if rest else promised

    store = SqliteReadingStore(path)
    kept = store.count()
    store.close()

    assert promised <= kept <= promised + 10


def test_a_newer_file_is_refused(tmp_path: Path) -> None:
    """The words say which version wrote it and what to do."""
    path = tmp_path / "readings.db"
    SqliteReadingStore(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version=99")

    with pytest.raises(NewerSchemaError, match=r"schema 99.*newer"):
        SqliteReadingStore(path)


def test_what_is_no_database_is_refused(tmp_path: Path) -> None:
    """A text file under the name is left as it is."""
    path = tmp_path / "readings.db"
    path.write_text("not a database, " * 100, encoding="utf-8")

    with pytest.raises(StoreError, match=r"readings\.db"):
        SqliteReadingStore(path)
    assert path.read_text(encoding="utf-8").startswith("not a database")


def test_the_quarantine_is_bounded(tmp_path: Path) -> None:
    """The newest are held, with their reason."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    for number in range(QUARANTINE_ROWS + 5):
        store.quarantine(T0, "t", str(number).encode(), "no number")

    newest = store.quarantined(QUARANTINE_ROWS * 2)
    store.close()

    assert len(newest) == QUARANTINE_ROWS
    assert newest[0] == (T0, "t", str(QUARANTINE_ROWS + 4).encode(), "no number")


def test_reading_goes_on_while_another_thread_writes(tmp_path: Path) -> None:
    """A reader never waits for the writer, nor the writer for it."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    done = threading.Event()

    def write() -> None:
        for minute in range(200):
            row = Reading(sensor="air", measured_at=T0 + timedelta(minutes=minute), value=minute)
            store.append(Block.from_readings([row]))
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    counts = [store.count()]
    while not done.is_set():
        counts.append(len(store.read(["air"], T0, T0 + timedelta(days=1))))
    writer.join()
    total = store.count()
    store.close()

    assert counts == sorted(counts)
    assert total == 200


DAY = timedelta(days=1)
FIRST_SCHEMA = """
    CREATE TABLE sensor (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE reading (
        sensor INTEGER NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL, flag INTEGER NOT NULL,
        doubt INTEGER NOT NULL, PRIMARY KEY (sensor, at)
    ) WITHOUT ROWID;
    CREATE TABLE quarantine (
        id INTEGER PRIMARY KEY, arrived_at INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
        why TEXT NOT NULL
    );
    INSERT INTO sensor VALUES (1, 'air');
    PRAGMA user_version=1;
"""


def minutes(count: int, value: float = 20.0, sensor: str = "air") -> Block:
    """Return readings of one minute after the other."""
    return Block.from_readings(
        [Reading(sensor=sensor, measured_at=T0 + timedelta(minutes=n), value=value) for n in range(count)]
    )


def stale(path: Path) -> int:
    """Return how many sensor-days are marked to be rolled up."""
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM stale").fetchone()[0])


def test_a_file_of_the_first_schema_gets_its_rolled_up_series(tmp_path: Path) -> None:
    """Every day that has a reading is marked, and can be rolled up."""
    path = tmp_path / "readings.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FIRST_SCHEMA)
        at = int(T0.timestamp() * 1000)
        rows = [(1, at + 60_000 * n, 20.0, 1, 0) for n in range(3000)]
        connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
        connection.commit()

    store = SqliteReadingStore(path)
    marked = stale(path)
    rolled = store.rolled(["air"], T0, T0 + 3 * DAY, Width.HOUR)
    done = store.roll_up(T0 + 3 * DAY)
    store.close()

    assert (marked, done, stale(path)) == (3, 3, 0)
    assert rolled.count.sum() == 3000


def test_a_day_that_goes_on_is_not_packed_yet(tmp_path: Path) -> None:
    """Only days that are over by the instant given."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    store.append(minutes(3000))

    done = store.roll_up(T0 + 2 * DAY)
    store.close()

    assert (done, stale(tmp_path / "readings.db")) == (2, 1)


def test_marks_that_another_process_worked_off_are_set_again(tmp_path: Path) -> None:
    """What one remembers of marks ends where another has written: its later readings count too."""
    path = tmp_path / "readings.db"
    service, rebuild = SqliteReadingStore(path), SqliteReadingStore(path)
    service.append(minutes(10))
    rebuild.rebuild_rolled()
    service.append(minutes(1, value=50.0))

    rolled = rebuild.rolled(["air"], T0, T0 + DAY, Width.FIVE_MINUTES)
    service.close()
    rebuild.close()

    assert rolled.high.tolist() == [50.0, 20.0]


def test_marks_of_a_transaction_that_failed_are_set_again(tmp_path: Path) -> None:
    """A block that is refused leaves no belief behind that its days are marked."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    store.append(minutes(5))
    store.roll_up(T0 + DAY)
    with pytest.raises(StoreError):
        store.append(minutes(5, value=float("nan")))
    store.append(minutes(5, value=30.0))

    rolled = store.rolled(["air"], T0, T0 + DAY, Width.FIVE_MINUTES)
    store.close()

    assert rolled.mean.tolist() == [30.0]


def test_rolling_up_while_readings_come_in_loses_none(tmp_path: Path) -> None:
    """A writer corrects the same hours over and over while they are rolled up; at the end they agree."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    done = threading.Event()

    def write() -> None:
        for turn in range(60):
            store.append(minutes(30, value=float(turn)))
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    while not done.is_set():
        store.roll_up(T0 + DAY)
    writer.join()
    store.roll_up(T0 + DAY)
    rolled = store.rolled(["air"], T0, T0 + DAY, Width.HOUR)
    store.close()

    assert (rolled.low.tolist(), rolled.count.tolist()) == ([59.0], [30])
