"""Readings move from rows into files: nothing is lost at any step, corrections win, and what is damaged is told."""

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

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import StoreError, StoreUnavailableError
from monitor.farm import StorageSettings
from monitor.housekeeping import keep_house
from monitor.readings import Block, Reading, from_ms, to_ms
from monitor.rolling import Width
from monitor.series import Series
from monitor.sharing import sharing
from monitor.stores import catalog
from monitor.stores.compaction import MOST_SERIES
from monitor.stores.history import HistoryFile, groups_by_width, write_history
from monitor.stores.rolled import rolled_on_read
from monitor.stores.sqlite import SqliteReadingStore

T0 = datetime(2026, 3, 30, tzinfo=UTC)
LATER = T0 + timedelta(days=365)
DAY = timedelta(days=1)
STEPS = ("noted", "writing", "written", "compared", "named", "switched", "deleting", "deleted", "unlinked")
CHILD = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from monitor.stores.sqlite import SqliteReadingStore

def step(name):
    if name == sys.argv[2]:
        os.kill(os.getpid(), signal.SIGKILL)

until = datetime(2027, 1, 1, tzinfo=UTC)
SqliteReadingStore(Path(sys.argv[1])).compact(until, now=until, step=step)
"""

Model = dict[tuple[str, int], tuple[float, int, int]]


def block(sensor: str, rows: list[tuple[int, float, int, int]]) -> Block:
    """Return rows of (ms after T0, value, flag, doubt) as a block."""
    return Block.from_rows((sensor,), [(0, to_ms(T0) + at, value, flag, doubt) for at, value, flag, doubt in rows])


def everything(store: SqliteReadingStore) -> Model:
    """Return all that a store holds, as one dictionary."""
    names = store.sensors()
    held = store.read(names, T0 - 400 * DAY, T0 + 400 * DAY)
    columns = (held.sensor_index.tolist(), held.measured_at_ms.tolist(), held.value.tolist(), held.flag.tolist())
    rows = zip(*columns, held.doubt.tolist(), strict=True)
    return {(names[index], at): (value, flag, doubt) for index, at, value, flag, doubt in rows}


def fill(store: SqliteReadingStore) -> None:
    """Write four days of six series over the turn of a month: a node of three, odd values, holes, one clock alone."""
    rng = np.random.default_rng(5)
    minute = np.arange(0, 4 * 1440, 5)
    together = minute * 60_000 + rng.integers(0, 440, len(minute))
    for name, step in (("node/air", 0.01), ("node/damp", 0.1), ("node/light", 1.0)):
        some = rng.random(len(minute)) > 0.03
        values = np.round(20 + rng.normal(0, 2, len(minute)) / step) * step
        values = np.round(values, 2)
        store.append(
            block(name, [(int(at), float(v), 1, 0) for at, v in zip(together[some], values[some], strict=True)])
        )
    odd = [1 / 3, -0.0, float("inf"), 1e300, 5e-324, 21.25]
    store.append(block("odd", [(int(at), odd[n % 6], 1 + n % 4, n % 64) for n, at in enumerate(together)]))
    few = [(int(at) * 60_000 + 7, 20.0 if at % 700 else 1 / 7, 2, 0) for at in minute]
    store.append(block("alone", few))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where a filled store is."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    fill(store)
    store.close()
    return tmp_path / "readings.db"


def rows_left(path: Path) -> int:
    """Return how many rows there are."""
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])


def names_in(path: Path) -> set[str]:
    """Return the names of the files beside a store, the lock apart."""
    return {each.name for each in (path.parent / "history").iterdir()} - {".lock"}


def live_files(path: Path) -> set[str]:
    """Return the files that a store knows of."""
    with closing(sqlite3.connect(path)) as connection:
        return {facts.name for facts in catalog.files(connection)}


def test_compacted_readings_are_the_same_to_the_last_bit(path: Path) -> None:
    """All rows have left, two months of files are there, and what is read, counted and newest is unchanged."""
    store = SqliteReadingStore(path)
    before, newest = everything(store), store.latest(store.sensors())
    done = store.compact(LATER, now=LATER)
    after = everything(store)

    assert {key: np.float64(row[0]).tobytes() for key, row in after.items()} == {
        key: np.float64(row[0]).tobytes() for key, row in before.items()
    }
    assert after == before
    assert (done.readings, rows_left(path)) == (len(before), 0)
    assert (store.count(), store.latest(store.sensors())) == (len(before), newest)
    assert {name[:7] for name in names_in(path)} == {"2026-03", "2026-04"}
    assert names_in(path) == live_files(path)
    store.close()


def test_what_is_newer_stays_a_row(path: Path) -> None:
    """Only what lies before the instant given moves; a second time there is nothing to do."""
    store = SqliteReadingStore(path)
    before = everything(store)
    store.compact(T0 + DAY, now=LATER)
    again = store.compact(T0 + DAY, now=LATER)

    assert everything(store) == before
    assert rows_left(path) == sum(at >= to_ms(T0 + DAY) for _, at in before)
    assert (again.readings, again.files) == (0, 0)
    assert store.compacted_at() == LATER
    store.close()


def test_late_and_corrected_readings_of_a_compacted_month_win(path: Path) -> None:
    """As rows over the file at once, and in the file after the next compaction; older files are gone then."""
    store = SqliteReadingStore(path)
    store.compact(LATER, now=LATER)
    old = names_in(path)
    expected = everything(store)
    at = min(at for name, at in expected if name == "node/air") - to_ms(T0)
    store.append(block("node/air", [(at, 99.5, 3, 16), (at + 1, 20.5, 1, 0)]))
    expected |= {("node/air", to_ms(T0) + at): (99.5, 3, 16), ("node/air", to_ms(T0) + at + 1): (20.5, 1, 0)}

    as_rows, count = everything(store), store.count()
    store.compact(LATER, now=LATER)
    as_file = everything(store)

    assert as_rows == expected
    assert as_file == expected
    assert (count, store.count(), rows_left(path)) == (len(expected), len(expected), 0)
    assert names_in(path) == live_files(path)
    assert len(old - names_in(path)) == 1  # the one file of March that the node stands in was written anew
    store.close()


@pytest.mark.parametrize("at_step", STEPS)
def test_a_correction_that_comes_in_during_compaction_wins(path: Path, at_step: str) -> None:
    """At every step, for a reading that is just being moved: it is read at once, and stays after."""
    store = SqliteReadingStore(path)
    store.compact(T0 + DAY, now=LATER)
    expected = everything(store)
    late = max(at for name, at in expected if name == "node/air" and at < to_ms(T0 + 2 * DAY)) - to_ms(T0)
    expected[("node/air", to_ms(T0) + late)] = (77.0, 1, 0)
    seen: list[Model] = []

    def step(name: str) -> None:
        if name == at_step and not seen:
            store.append(block("node/air", [(late, 77.0, 1, 0)]))
            seen.append(everything(store))

    store.compact(LATER, now=LATER, step=step)

    assert seen == [expected]
    assert everything(store) == expected
    assert store.count() == len(expected)
    store.close()


@pytest.mark.parametrize("at_step", STEPS)
def test_a_kill_at_any_step_loses_nothing(path: Path, at_step: str) -> None:
    """A process is killed in the middle: all readings are there once, and the next compaction leaves nothing behind."""
    store = SqliteReadingStore(path)
    store.compact(T0 + DAY, now=LATER)
    store.append(block("node/air", [(60_000, 50.0, 1, 0)]))
    expected = everything(store)
    store.close()
    child = subprocess.run([sys.executable, "-c", CHILD, str(path), at_step], check=False, timeout=60)
    assert child.returncode == -signal.SIGKILL

    store = SqliteReadingStore(path)
    after_kill, count = everything(store), store.count()
    store.compact(LATER, now=LATER)
    after = everything(store)
    store.close()

    assert after_kill == expected
    assert count == len(expected)
    assert after == expected
    assert rows_left(path) == 0
    assert names_in(path) == live_files(path)


def test_a_file_that_does_not_read_back_is_not_taken(path: Path) -> None:
    """One byte is changed on disk before the comparison: an error, no row has left, and it works the next time."""
    store = SqliteReadingStore(path)
    expected = everything(store)

    def step(name: str) -> None:
        if name == "written":
            (unfinished,) = (path.parent / "history").glob("*.unfinished")
            content = bytearray(unfinished.read_bytes())
            content[200] ^= 0xFF
            unfinished.write_bytes(bytes(content))

    with pytest.raises(StoreError, match=r"unfinished (does not read back|is damaged|is no whole)"):
        store.compact(LATER, now=LATER, step=step)
    assert rows_left(path) == len(expected)
    store.compact(LATER, now=LATER)

    assert everything(store) == expected
    assert names_in(path) == live_files(path)
    store.close()


def test_whoever_reads_meanwhile_sees_every_reading_once(path: Path) -> None:
    """Another thread reads over and over while a compaction runs, and is repeated with corrections."""
    store = SqliteReadingStore(path)
    expected = everything(store)
    done, wrong = threading.Event(), []

    def look() -> None:
        while not done.is_set():
            if set(everything(store)) != set(expected) or store.count() != len(expected):
                wrong.append("differs")
                return

    looker = threading.Thread(target=look)
    looker.start()
    for day in range(1, 6):
        store.compact(T0 + day * DAY, now=LATER)
    for turn in range(3):
        at = min(at for name, at in expected if name == "alone") - to_ms(T0)
        store.append(block("alone", [(at, float(turn), 1, 0)]))
        store.compact(LATER, now=LATER)
    done.set()
    looker.join()
    store.close()

    assert wrong == []


def test_two_compactions_at_once_are_refused(path: Path) -> None:
    """The second is told to wait; the first goes on."""
    store, other = SqliteReadingStore(path), SqliteReadingStore(path)
    told: list[str] = []

    def step(name: str) -> None:
        if name == "written" and not told:
            with pytest.raises(StoreUnavailableError, match="another compaction or a backup"):
                other.compact(LATER, now=LATER)
            told.append(name)

    store.compact(LATER, now=LATER, step=step)

    assert told
    assert rows_left(path) == 0
    store.close()
    other.close()


def test_a_missing_and_a_damaged_file_are_told_by_name(path: Path) -> None:
    """What is to be put back from a backup stands in the error; other months go on being read."""
    store = SqliteReadingStore(path)
    store.compact(LATER, now=LATER)
    store.close()
    first = next(name for name in sorted(names_in(path)) if name.startswith("2026-03"))
    file = path.parent / "history" / first
    held = list(HistoryFile(file).held)
    content = bytearray(file.read_bytes())
    content[40:200] = bytes(160)
    file.write_bytes(bytes(content))

    store = SqliteReadingStore(path)
    with pytest.raises(StoreError, match=f"{first} is damaged"):
        store.read(held, T0, T0 + DAY)
    store.close()
    file.unlink()
    store = SqliteReadingStore(path)
    with pytest.raises(StoreError, match=f"{first} is missing"):
        store.read(held, T0, T0 + DAY)
    assert len(store.read(held, T0 + 3 * DAY, T0 + 4 * DAY)) > 0
    store.close()


def test_files_that_the_store_does_not_know_are_left_alone(path: Path) -> None:
    """Somebody may need them: a readings file that was lost, its history still there."""
    folder = path.parent / "history"
    folder.mkdir()
    (folder / "2020-01-000001.parquet").write_bytes(b"whose is it")
    store = SqliteReadingStore(path)
    store.compact(LATER, now=LATER)
    store.close()

    assert (folder / "2020-01-000001.parquet").read_bytes() == b"whose is it"


def test_many_series_are_written_a_few_at_a_time(tmp_path: Path) -> None:
    """So that a month of a big farm needs no more memory than a month of a small one."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    for number in range(MOST_SERIES + 5):
        store.append(block(f"s{number}", [(minute * 60_000, number / 10, 1, 0) for minute in range(3)]))
    done = store.compact(LATER, now=LATER)

    assert (done.files, store.count()) == (2, 3 * (MOST_SERIES + 5))
    store.close()


def test_the_file_gives_its_room_back(tmp_path: Path) -> None:
    """After a compaction the readings file is a fraction of what it was."""
    store = SqliteReadingStore(tmp_path / "readings.db")
    at = to_ms(T0) + 1000 * np.arange(250_000, dtype=np.int64)
    whole = np.zeros(len(at), np.int32)
    store.append(
        Block(
            sensors=("fast",),
            sensor_index=whole,
            measured_at_ms=at,
            value=np.linspace(0.0, 1.0, len(at)).round(2),
            flag=whole.astype(np.int8) + 1,
            doubt=whole.astype(np.int16),
        )
    )
    before = (tmp_path / "readings.db").stat().st_size
    store.compact(LATER, now=LATER)
    store.close()

    assert (tmp_path / "readings.db").stat().st_size < before / 10


def series(at_ms: list[int]) -> Series:
    """Return a series of ones."""
    return Series.from_rows([(at, 1.0, 1, 0) for at in at_ms])


def test_series_of_one_message_share_their_instants() -> None:
    """Most instants of each must be the other's; one that is merely inside another's span stands alone."""
    base = np.arange(0, 600_000, 60)
    held = np.delete(base, [3, 77, 500])
    found = sharing({"air": base, "other": base + 7, "damp": held, "rare": base[::10], "none": base[:0]})

    assert [group.names for group in found] == [["air", "damp"], ["other"], ["rare"], ["none"]]
    assert found[0].at_ms.tolist() == base.tolist()


def test_instants_that_are_shared_are_kept_once(tmp_path: Path) -> None:
    """Four series with jitter in one message take a third of the room of four with jitter of their own."""
    rng = np.random.default_rng(2)
    n = 20_000

    def size(shared: bool) -> int:
        rows = {}
        jitter = rng.integers(0, 441, n)
        for name in "abcd":
            at = 60_000 * np.arange(n) + (jitter if shared else rng.integers(0, 441, n))
            ones = np.ones(n, np.int8)
            rows[name] = Series(at_ms=at, value=np.full(n, 20.0), flag=ones, doubt=ones.astype(np.int16))
        (groups,) = groups_by_width(rows)
        write_history(tmp_path / "x.parquet", groups, rows, step=lambda _name: None)
        return (tmp_path / "x.parquet").stat().st_size

    assert size(shared=True) < size(shared=False) / 3


def test_a_long_series_is_cut_into_row_groups(tmp_path: Path) -> None:
    """So that a sensor that speaks each second is not unpacked for a month to show an hour."""
    n = 200_000
    ones = np.ones(n, np.int8)
    rows = {"a": Series(at_ms=1000 * np.arange(n), value=np.arange(n) / 8, flag=ones, doubt=ones.astype(np.int16))}
    write_history(tmp_path / "x.parquet", groups_by_width(rows)[0], rows, step=lambda _name: None)
    file = HistoryFile(tmp_path / "x.parquet")

    part = file.read("a", 65_530_000, 65_540_000)

    assert len(file.held["a"].parts) == 4
    assert (part.at_ms[0], part.at_ms[-1], len(part)) == (65_530_000, 65_539_000, 10)
    assert file.read("a", 0, 2**60).same_as(rows["a"])
    assert len(file.read("b", 0, 2**60)) == 0
    file.close()


NAMES = st.sampled_from(["a", "b", "c"])
ROWS = st.lists(
    st.tuples(
        st.integers(-40 * 24 * 60, 40 * 24 * 60).map(lambda m: m * 60_000 + m % 7),
        st.one_of(st.integers(-9999, 9999).map(lambda n: n / 100), st.floats(allow_nan=False)),
        st.sampled_from([1, 2, 3, 4]),
        st.integers(0, 63),
    ),
    min_size=1,
    max_size=12,
)
DOINGS = st.lists(
    st.one_of(
        st.tuples(st.just("append"), NAMES, ROWS),
        st.tuples(st.just("compact"), st.integers(-40, 40)),
        st.tuples(st.just("roll"), st.integers(-40, 40)),
        st.just(("open again",)),
    ),
    max_size=12,
)


@settings(max_examples=40)
@given(DOINGS)
def test_whatever_is_done_the_store_holds_what_was_written_last(
    tmp_path_factory: pytest.TempPathFactory, doings: list[tuple[object, ...]]
) -> None:
    """Against a dictionary: appends, corrections, compactions, rolling up and restarts in any order."""
    path = tmp_path_factory.mktemp("law") / "readings.db"
    store = SqliteReadingStore(path)
    expected: Model = {}
    for what, *more in doings:
        if what == "append":
            name, rows = more
            assert isinstance(name, str)
            assert isinstance(rows, list)
            once = list({row[0]: row for row in rows}.values())
            store.append(block(name, once))
            expected |= {(name, to_ms(T0) + at): (value, flag, doubt) for at, value, flag, doubt in once}
        elif what == "open again":
            store.close()
            store = SqliteReadingStore(path)
        else:
            day = more[0]
            assert isinstance(day, int)
            if what == "compact":
                store.compact(T0 + day * DAY, now=LATER)
            else:
                store.roll_up(T0 + day * DAY)
    names = store.sensors()
    span = (T0 - 50 * DAY, T0 + 50 * DAY)
    found, count, newest = everything(store), store.count(), store.latest(names)
    rolled = [store.rolled(names, *span, Width.HOUR), rolled_on_read(store.read, names, *span, Width.HOUR)]
    store.close()

    assert found == expected
    assert count == len(expected)
    assert {name: row.measured_at for name, row in newest.items()} == {
        name: from_ms(max(at for each, at in expected if each == name)) for name in names
    }
    assert rolled[0].low.tobytes() == rolled[1].low.tobytes()
    assert rolled[0].count.tobytes() == rolled[1].count.tobytes()


def test_the_newest_reading_may_be_in_a_file(path: Path) -> None:
    """A sensor that has fallen silent is still known by its last reading."""
    store = SqliteReadingStore(path)
    store.compact(LATER, now=LATER)
    store.append(Block.from_readings([Reading(sensor="alone", measured_at=T0 - DAY, value=5.0)]))

    newest = store.latest(["alone"])["alone"]
    store.close()

    assert newest.measured_at == T0 + timedelta(minutes=4 * 1440 - 5, milliseconds=7)


def test_a_folder_that_cannot_be_written_costs_nothing(path: Path) -> None:
    """A file stands where the folder should be: told so, and all rows stay."""
    (path.parent / "history").write_text("in the way", encoding="utf-8")
    store = SqliteReadingStore(path)
    expected = everything(store)

    with pytest.raises(StoreUnavailableError, match="no reading has left its place"):
        store.compact(LATER, now=LATER)
    assert everything(store) == expected
    assert os.path.isfile(path.parent / "history")
    store.close()


def test_an_interrupted_compaction_goes_on_the_next_time(path: Path) -> None:
    """The service is stopped in the middle: it ends at once, and loses nothing."""
    store = SqliteReadingStore(path)
    expected = everything(store)

    def step(name: str) -> None:
        if name == "compared":
            store.interrupt()

    with pytest.raises(StoreUnavailableError, match="next start goes on"):
        store.compact(LATER, now=LATER, step=step)
    assert everything(store) == expected
    store.close()
    store = SqliteReadingStore(path)
    store.compact(LATER, now=LATER)

    assert everything(store) == expected
    assert names_in(path) == live_files(path)
    store.close()


def test_what_goes_by_rule_leaves_its_rolled_up_days(path: Path) -> None:
    """Whole months before an instant go for good, in files and rows; what was rolled up of them stays as it was."""
    store = SqliteReadingStore(path)
    april = T0 + 2 * DAY
    store.compact(T0 + 3 * DAY, now=LATER)
    span = (["alone"], T0, T0 + 4 * DAY, Width.HOUR)
    before, total = store.rolled(*span), store.count()
    march = sum(at < to_ms(april) for _, at in everything(store))
    gone = store.let_go(april + timedelta(days=20))
    store.append(block("alone", [(60_000, 99.0, 1, 0)]))  # late, of a month that went
    store.roll_up(LATER)
    store.rebuild_rolled()
    after = store.rolled(*span)

    assert gone == march
    assert store.count() == total - march + 1
    assert len(store.read(["node/air"], T0, april)) == 0
    assert after.mean.tobytes() == before.mean.tobytes()
    assert store.let_go(april + timedelta(days=20)) == 1
    assert {name[:7] for name in names_in(path)} == {"2026-04"}
    store.close()


def test_house_is_kept_once_a_day(path: Path) -> None:
    """Days that are over are rolled up at once; old rows move when a day has passed since the last time."""
    store = SqliteReadingStore(path)
    settings = StorageSettings(folder=path.parent, compact_after=DAY, keep_raw=timedelta(days=62))
    now = T0 + 3 * DAY
    first, second = keep_house(store, settings, now), keep_house(store, settings, now + timedelta(hours=1))
    third = keep_house(store, settings, now + timedelta(hours=21))
    last = keep_house(store, settings, T0 + 200 * DAY)

    assert first.compacted is not None
    assert first.compacted.readings > 0
    assert second.compacted is None
    assert third.compacted is not None
    assert third.compacted.readings > 0
    assert (first.let_go, last.let_go > 0, store.count()) == (0, True, 0)
    assert len(store.rolled(["alone"], T0, T0 + 4 * DAY, Width.HOUR)) == 4 * 24
    store.close()
