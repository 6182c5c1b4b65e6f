"""`make bench-store`: SIMULATED readings in our store, in plain SQLite rows, InfluxDB and VictoriaMetrics, in one run.

Bytes at rest, on exact minutes and with jitter; 14 days of one series, beside the bare decode of the same columns; and
appending beside bare executemany. READINGS=n (20,000,000 unless said), SEED=n, FOLDER=where (a temporary one unless
said; it needs about 60 bytes a reading while it runs).
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np

from monitor.readings import from_ms
from monitor.series import block_of
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore
from tests.bench.storeappend import APPEND_SIZES, append_ratio, timed
from tests.bench.storepeers import Influx, Peer, PlainRows, Victoria, influx, size_of, victoria
from tests.bench.storerecord import SERIES, Clocks, Record
from tests.support.needs import require_binary

DAYS = 14
LOOKS = 15
_TURNS = 5
_NEVER_MS = 253_370_764_800_000  # in the year 9999


@dataclass(slots=True)
class Result:
    """What one store did with one record.

    Attributes:
        size: At rest. [bytes]
        write_s: Seconds to write all.
        settle_s: Seconds until it was packed.
        read_s: Median seconds of 14 days of one series; None: not asked.
        more: Other figures, by JSON name.
    """

    size: int = 0
    write_s: float = 0.0
    settle_s: float = 0.0
    read_s: float | None = None
    more: dict[str, float] = field(default_factory=dict)


def looks(record: Record) -> list[tuple[str, int, int]]:
    """Return which series and spans are read: all over the record, not one twice."""
    rng = np.random.default_rng([record.seed, 7])
    series = rng.permutation(SERIES)[:LOOKS].tolist()
    return [
        (record.name(each), *record.span(DAYS, share)) for each, share in zip(series, rng.random(LOOKS), strict=True)
    ]


def keep(record: Record, folder: Path) -> tuple[SqliteReadingStore, Result]:
    """Write a record into our store as life does: a month comes in, then it is packed."""
    store, result = SqliteReadingStore(folder / READINGS_FILE), Result()
    done_month = 0
    for month, series, piece in record.pieces():
        if month != done_month:
            result.settle_s += timed(_pack, store, int(piece.at_ms[0]))
            done_month = month
        block = block_of([record.name(series)], [piece])
        result.write_s += timed(store.append, block)
    result.settle_s += timed(_pack, store, _NEVER_MS)
    return store, result


def _pack(store: SqliteReadingStore, until_ms: int) -> None:
    """Pack all that lies before an instant."""
    store.compact(from_ms(until_ms), now=from_ms(until_ms))


def our_size(folder: Path) -> int:
    """Return what the store takes at rest: files, and the readings file with what it knows of them. [bytes]."""
    with closing(sqlite3.connect(folder / READINGS_FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        left = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
        connection.execute("VACUUM")  # its empty pages are room for the readings of the next days, and no readings
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    assert left == 0, f"{left} readings were not packed"
    return size_of(folder)


def bare_decode(folder: Path) -> Callable[[str, int, int], int]:
    """Return what only decodes: the columns of the row groups that hold a span, by pyarrow, nothing else.

    Which files and row groups those are is known beforehand and not timed, and the files stay open.
    """
    import pyarrow.parquet as pq

    from monitor.stores.history import HistoryFile

    files: dict[str, list[tuple[int, int, pq.ParquetFile, int, int, int]]] = {}
    for path in sorted((folder / "history").glob("*.parquet")):
        file, opened = HistoryFile(path), pq.ParquetFile(path)
        for name, held in file.held.items():
            for part in held.parts:
                row = (part.first_ms, part.last_ms, opened, part.row_group, held.slot, held.places)
                files.setdefault(name, []).append(row)
        file.close()

    def decode(name: str, start_ms: int, end_ms: int) -> int:
        parts = []
        for first, last, opened, number, slot, places in files[name]:
            if first >= end_ms or last < start_ms:
                continue
            table = opened.read_row_group(number, columns=["t", f"v{slot}", f"q{slot}"], use_threads=False)
            at = np.frombuffer(table["t"].chunk(0).buffers()[1], dtype=np.int64)
            folded = np.frombuffer(table[f"v{slot}"].chunk(0).buffers()[1], dtype=np.int64)
            value = np.cumsum((folded >> 1) ^ -(folded & 1)) / 10.0**places
            marks = np.frombuffer(table[f"q{slot}"].chunk(0).buffers()[1], dtype=np.int32)
            begin, end = np.searchsorted(at, [start_ms, end_ms])
            parts.append((at[begin:end], value[begin:end], (marks & 15)[begin:end], (marks >> 4)[begin:end]))
        return sum(len(part[0]) for part in parts)

    return decode


def read_ours(store: SqliteReadingStore, decode: Callable[[str, int, int], int], record: Record) -> tuple[float, float]:
    """Return median seconds of our reads, and of the bare decode, turn by turn over the same spans; all warm."""
    ours, bare = [], []
    for name, start_ms, end_ms in looks(record):
        start, end = from_ms(start_ms), from_ms(end_ms)
        rows = decode(name, start_ms, end_ms)
        assert len(store.read([name], start, end)) == rows > 0
        turns = [(timed(store.read, [name], start, end), timed(decode, name, start_ms, end_ms)) for _ in range(_TURNS)]
        ours.append(min(turn[0] for turn in turns))
        bare.append(min(turn[1] for turn in turns))
    return median(ours), median(bare)


def measure_ours(record: Record, folder: Path, *, reads: bool) -> Result:
    """Return what our store does with a record."""
    store, result = keep(record, folder)
    if reads:
        result.read_s, bare = read_ours(store, bare_decode(folder), record)
        result.more["bare_decode_s"] = bare
    count = store.count()
    store.close()
    assert count == len(record), f"{count} readings are kept, not {len(record)}"
    result.size = our_size(folder)
    if reads:
        store = SqliteReadingStore(folder / READINGS_FILE)
        result.more["roll_up_s"] = timed(store.rebuild_rolled)
        store.close()
        result.more["rolled_bytes_per_reading"] = (our_size(folder) - result.size) / len(record)
    return result


def measure_peer(peer: Peer, record: Record, folder: Path, *, reads: bool) -> Result:
    """Return what a peer does with a record."""
    result = Result()
    for _, series, piece in record.pieces():
        name = record.name(series)
        result.write_s += timed(peer.write, name, piece)
    result.settle_s = timed(peer.settle)
    if reads:
        times = []
        for name, start_ms, end_ms in looks(record):
            assert peer.read(name, start_ms, end_ms) > 0
            times.append(min(timed(peer.read, name, start_ms, end_ms) for _ in range(_TURNS)))
        result.read_s = median(times)
    result.size = size_of(folder)
    return result


def measure_all(record: Record, work: Path, *, peers: bool, reads: bool) -> dict[str, Result]:
    """Return what each store does with a record; each lets go of its disk before the next begins."""
    results = {}

    def inside(name: str, measure: Callable[[Path], Result]) -> None:
        folder = work / name
        folder.mkdir()
        results[name] = measure(folder)
        shutil.rmtree(folder)
        say(f"   {name}: {results[name].size / len(record):.3f} B a reading")

    def rows(folder: Path) -> Result:
        with closing(PlainRows(folder)) as peer:
            return measure_peer(peer, record, folder, reads=reads)

    def served_by_influx(folder: Path) -> Result:
        with influx(require_binary("influxd"), folder / "server") as peer:
            return measure_peer(peer, record, folder / "server" / "data", reads=reads)

    def served_by_victoria(folder: Path) -> Result:
        with victoria(require_binary("victoria-metrics"), folder / "server") as peer:
            return measure_peer(peer, record, folder / "server" / "data", reads=reads)

    inside("Traywarden", lambda folder: measure_ours(record, folder, reads=reads))
    if peers:
        inside(PlainRows.name, rows)
        inside(Influx.name, served_by_influx)
        inside(Victoria.name, served_by_victoria)
    return results


# -- telling ---------------------------------------------------------------------------------------------------


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)  # noqa: T201 # what a benchmark is for


def table(record: Record, results: dict[str, Result]) -> None:
    """Print what the stores did with one record."""
    say(f"\nSIMULATED, {record.clocks.value}: {len(record):,} readings of {SERIES} series, noise of one 0.01 step (sd)")
    say(f"{'':24}{'B/reading':>10}{'write, us/r':>13}{'pack, us/r':>12}{'14 days of one, ms':>20}")
    for name, result in results.items():
        read = "" if result.read_s is None else f"{1000 * result.read_s:.2f}"
        size, write, settle = (each / len(record) for each in (result.size, result.write_s, result.settle_s))
        say(f"{name:24}{size:10.3f}{1e6 * write:13.2f}{1e6 * settle:12.2f}{read:>20}")


def _key(name: str) -> str:
    """Return a peer's name in JSON."""
    return {PlainRows.name: "sqlite_rows", Influx.name: "influxdb", Victoria.name: "victoriametrics"}[name]


def main() -> None:
    """Measure, print tables and one line of JSON."""
    readings, seed = int(os.environ.get("READINGS", "20000000")), int(os.environ.get("SEED", "1"))
    rows = max(readings // SERIES, 1440 * DAYS)
    with tempfile.TemporaryDirectory(dir=os.environ.get("FOLDER"), prefix="bench-store-") as folder:
        work = Path(folder)
        exact = Record(clocks=Clocks.EXACT, seed=seed, rows=rows)
        jitter = Record(clocks=Clocks.JITTER, seed=seed, rows=rows)
        packs = Record(clocks=Clocks.PACKS, seed=seed, rows=rows)
        on_exact = measure_all(exact, work, peers=True, reads=True)
        on_jitter = measure_all(jitter, work, peers=True, reads=False)
        on_packs = measure_all(packs, work, peers=False, reads=False)
        appends = {size: append_ratio(exact, size, work) for size in APPEND_SIZES}
    for record, results in ((exact, on_exact), (jitter, on_jitter), (packs, on_packs)):
        table(record, results)
    ours, n = on_exact["Traywarden"], len(exact)
    assert ours.read_s is not None
    say(f"\nbare decode of the same columns: {1000 * ours.more['bare_decode_s']:.2f} ms")
    say(
        f"rolled-up series on top: {ours.more['rolled_bytes_per_reading']:.3f} B a reading, "
        f"{1e6 * ours.more['roll_up_s'] / n:.2f} us a reading to work out afresh"
    )
    say(f"\n{'rows in a commit':>18}{'appended/s':>14}{'bare executemany/s':>20}{'ratio':>8}")
    for size, (mine, bare) in appends.items():
        say(f"{size:18,}{mine:14,.0f}{bare:20,.0f}{mine / bare:8.2f}")
    peers_exact = {name: result for name, result in on_exact.items() if name != "Traywarden"}
    peers_jitter = {name: result for name, result in on_jitter.items() if name != "Traywarden"}
    told: dict[str, float | int] = {
        "readings": n,
        "seed": seed,
        "bytes_per_reading_exact": round(ours.size / n, 4),
        "bytes_per_reading_jitter": round(on_jitter["Traywarden"].size / n, 4),
        "bytes_per_reading_jitter_packs": round(on_packs["Traywarden"].size / n, 4),
        "best_peer_exact": round(min(result.size for result in peers_exact.values()) / n, 4),
        "best_peer_jitter": round(min(result.size for result in peers_jitter.values()) / n, 4),
        "read_ms": round(1000 * ours.read_s, 3),
        "fastest_peer_read_ms": round(1000 * min(result.read_s or 0 for result in peers_exact.values()), 3),
        "bare_decode_ms": round(1000 * ours.more["bare_decode_s"], 3),
        "read_ratio_to_decode": round(ours.read_s / ours.more["bare_decode_s"], 3),
        "append_ratio_to_executemany": round(min(mine / bare for mine, bare in appends.values()), 3),
        "rolled_bytes_per_reading": round(ours.more["rolled_bytes_per_reading"], 4),
        "compact_us_per_reading": round(1e6 * ours.settle_s / n, 3),
    }
    for name, result in peers_exact.items():
        told[f"{_key(name)}_bytes_exact"] = round(result.size / n, 4)
        told[f"{_key(name)}_bytes_jitter"] = round(peers_jitter[name].size / n, 4)
        told[f"{_key(name)}_read_ms"] = round(1000 * (result.read_s or 0), 3)
    say(json.dumps(told))


if __name__ == "__main__":
    main()
