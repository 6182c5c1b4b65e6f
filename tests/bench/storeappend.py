"""Appending to our store beside bare executemany of the same rows, in the same commits, with the same promises."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from time import perf_counter

import numpy as np

from monitor.readings import Block
from monitor.series import block_of
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore
from tests.bench.storerecord import SERIES, Record

APPEND_SIZES = (1, 10, 100, 1_000, 10_000)
_APPEND_ROWS = 40_000
_MOST_COMMITS = 400
_TURNS = 15


def timed(work: Callable[..., object], *given: object) -> float:
    """Return how long something took. [s]."""
    begin = perf_counter()
    work(*given)
    return perf_counter() - begin


def live_blocks(record: Record, size: int) -> tuple[Block, list[Block]]:
    """Return a first reading of every series, and those that follow, minute by minute, in blocks of a size.

    A sensor's first reading, and the first of each day, writes more than itself: what it is called, and that its day is
    to be rolled up. That is left out of what is timed.
    """
    minutes = -(-_APPEND_ROWS // SERIES) + 1
    pieces = [record.piece(series, 0).part(slice(0, minutes)) for series in range(SERIES)]
    names = tuple(record.name(series) for series in range(SERIES))
    whole = block_of(names, pieces)
    order = np.lexsort((whole.sensor_index, whole.measured_at_ms))
    first, order = whole.rows(order[:SERIES]), order[SERIES:]
    ordered = whole.rows(order[: min(_APPEND_ROWS, size * _MOST_COMMITS)])
    blocks = [ordered.rows(slice(begin, begin + size)) for begin in range(0, len(ordered), size)]
    return first, [_named(block) for block in blocks]


def _named(block: Block) -> Block:
    """Return a block that names no more sensors than it has readings of, as the pipeline makes them."""
    there, index = np.unique(block.sensor_index, return_inverse=True)
    names = tuple(block.sensors[number] for number in there.tolist())
    return replace(block, sensors=names, sensor_index=index.astype(np.int32))


def append_ratio(record: Record, size: int, work: Path, *, turns: int = _TURNS) -> tuple[float, float]:
    """Return readings a second of our append, and of bare executemany of the same rows in the same commits.

    Both are done turn by turn, and the bare figure is ours times the median ratio of the turns, so that what else the
    machine does weighs on both alike.
    """
    first, blocks = live_blocks(record, size)
    rows = [_rows(block) for block in blocks]
    total, ours, bare = sum(len(block) for block in blocks), [], []
    for turn in range(turns):
        folder = work / f"append-{size}-{turn}"
        folder.mkdir()
        with closing(SqliteReadingStore(folder / READINGS_FILE)) as store:
            store.append(first)
            ours.append(timed(lambda: _append(store, blocks)))
        with closing(_bare(folder / "bare.db")) as connection:
            _commit(connection, _rows(first))
            bare.append(timed(lambda: _commit_all(connection, rows)))
        shutil.rmtree(folder)
    ratio = float(np.median(np.array(bare) / np.array(ours)))
    return total / min(ours), total / min(ours) / ratio


_UPSERT = (
    "INSERT INTO reading (sensor, at, value, flag, doubt) VALUES (?, ?, ?, ?, ?) "
    "ON CONFLICT (sensor, at) DO UPDATE SET value = excluded.value, flag = excluded.flag, doubt = excluded.doubt"
)


def _bare(path: Path) -> sqlite3.Connection:
    """Return a connection to the same table with the same promises."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(
        "CREATE TABLE reading (sensor INTEGER NOT NULL, at INTEGER NOT NULL, value REAL NOT NULL, "
        "flag INTEGER NOT NULL, doubt INTEGER NOT NULL, PRIMARY KEY (sensor, at)) WITHOUT ROWID"
    )
    return connection


def _rows(block: Block) -> list[tuple[int, int, float, int, int]]:
    """Return a block as rows, made before the clock runs."""
    return list(block.plain())


def _commit(connection: sqlite3.Connection, rows: list[tuple[int, int, float, int, int]]) -> None:
    """Write some rows in one transaction."""
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(_UPSERT, rows)
    connection.execute("COMMIT")


def _append(store: SqliteReadingStore, blocks: list[Block]) -> None:
    """Append blocks one after the other."""
    for block in blocks:
        store.append(block)


def _commit_all(connection: sqlite3.Connection, blocks: list[list[tuple[int, int, float, int, int]]]) -> None:
    """Write blocks one after the other."""
    for rows in blocks:
        _commit(connection, rows)
