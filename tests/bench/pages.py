"""`make bench-pages`: Rounds of a SIMULATED farm of 300 trays, asked for over HTTP from a real `traywarden serve`.

Each request comes after a new entry, so that nothing which was worked out before helps; requests within the same
minute without an entry are told beside it. What goes over the wire for the first view is counted byte by byte, headers
too, as a browser asks for it: page, style, script and icon, compressed as served. The same is done on an
empty farm, in the same run.
SEED=n changes what stands where.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np

from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, to_ms
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore

TRAYS, RACKS, SHELVES, SCALES, REQUESTS = 300, 8, 5, 8, 40
NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
HEAD = """
[farm]
name = "Saltcellar Farm"
time_zone = "Europe/Lisbon"
rounds = ["07:30", "17:00"]
[[room]]
id = "cellar"
lamp = "06:00-22:00"
[[person]]
id = "ines"
channels = ["console"]
[pages]
port = 0
[[sensor]]
id = "air"
quantity = "temperature"
spot = "cellar"
[[sensor]]
id = "damp"
quantity = "humidity"
spot = "cellar"
"""
RACK = '[[rack]]\nid = "{number}"\nroom = "cellar"\nshelves = {shelves}\ntrays_per_shelf = 12\n'
SCALE = '[[sensor]]\nid = "scale-{n}"\nquantity = "weight"\nspot = "cellar/{n}/1"\ndry_g = 1150\nfull_g = 1850\n'


def farm_text() -> str:
    """Return the farm's file."""
    racks = "".join(RACK.format(number=number, shelves=SHELVES) for number in range(1, RACKS + 1))
    return HEAD + racks + "".join(SCALE.format(n=number) for number in range(1, SCALES + 1))


def fill(folder: Path, seed: int) -> int:
    """Sow 300 trays of all crops over two weeks, with weights and air every ten minutes; return how many batches."""
    rng = random.Random(seed)
    crops = list(shipped_profiles())
    ledger = open_ledger(folder)
    trays = number = 0
    while trays < TRAYS:
        number += 1
        some = min(rng.choice([4, 6, 8, 12]), TRAYS - trays)
        trays += some
        at = NOW - timedelta(days=rng.uniform(0.2, 14))
        place = f"cellar/{rng.randint(1, RACKS)}/{rng.randint(1, SHELVES)}"
        data = {"crop": rng.choice(crops), "tray_kind": "1020"}
        sown = NewEntry(kind=EntryKind.SOWN, at=at, by="ines", batch=str(number), trays=some, spot=place, data=data)
        ledger.append([sown], recorded_at=at)
    ledger.close()
    store = SqliteReadingStore(folder / READINGS_FILE)
    times = np.arange(to_ms(NOW - timedelta(days=8)), to_ms(NOW), 600_000, dtype=np.int64)
    hours = (times - times[0]) / 3_600_000
    series = {"air": 18 + np.sin(hours / 24 * 2 * np.pi), "damp": 62 + 5 * np.cos(hours / 24 * 2 * np.pi)}
    for scale in range(1, SCALES + 1):
        series[f"scale-{scale}"] = 1850 - (hours * (5 + scale / 2)) % 500
    for name, value in series.items():
        store.append(
            Block(
                sensors=(name,),
                sensor_index=np.zeros(len(times), dtype=np.int32),
                measured_at_ms=times,
                value=np.round(value, 2),
                flag=np.ones(len(times), dtype=np.int8),
                doubt=np.zeros(len(times), dtype=np.int16),
            )
        )
    store.close()
    return number


class Client:
    """A browser of sorts: one connection a request, all bytes counted."""

    def __init__(self, port: int) -> None:
        """Speak with a port of this machine."""
        self._port = port

    def get(self, path: str) -> tuple[float, int, str]:
        """Return the seconds until the last byte, the bytes both ways, and the head of the answer."""
        asked = (
            f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{self._port}\r\nAccept-Encoding: gzip, deflate, br\r\n"
            "Accept: text/html\r\nConnection: close\r\n\r\n"
        ).encode()
        began = perf_counter()
        with socket.create_connection(("127.0.0.1", self._port), timeout=30) as line:
            line.sendall(asked)
            answer = b"".join(iter(lambda: line.recv(65536), b""))
        took = perf_counter() - began
        head, _, body = answer.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200"), head[:200]
        if b"content-encoding: gzip" in head:
            import gzip

            body = gzip.decompress(body)
        return took, len(asked) + len(answer), body.decode()


def measure(folder: Path, *, full: bool, seed: int) -> dict[str, float]:
    """Return the times of one farm, and the weight of its first view."""
    folder.mkdir()
    (folder / "farm.toml").write_text(farm_text(), encoding="utf-8")
    batches = fill(folder / "data", seed) if full else 0
    command = [sys.executable, "-m", "monitor.cli", "--farm", str(folder / "farm.toml"), "serve"]
    environment = {**os.environ, "TRAYWARDEN_NOW": NOW.isoformat()}
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    assert server.stdout is not None
    try:
        port = int(server.stdout.readline().rsplit(":", 1)[1].split(".")[0])
        ledger = open_ledger(folder / "data")
        found = ask(Client(port), ledger, server.pid)
        ledger.close()
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(30)
    return {**found, "batches": batches}


def cpu_s(pid: int) -> float:
    """Return the processor time that a process has had, which other work on the machine does not lengthen. [s]."""
    words = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def ask(client: Client, ledger: SqlLedger, pid: int) -> dict[str, float]:
    """Ask for the page again and again, and for all that it names once."""
    _, weight, page = client.get("/")
    files = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
    weight += sum(client.get(path)[1] for path in files)
    fresh, again = [], []
    began = cpu_s(pid)
    for number in range(REQUESTS):
        note = NewEntry(kind=EntryKind.RECORDED, at=NOW, by="ines", data={"what": "hand-over", "text": str(number)})
        ledger.append([note], recorded_at=NOW)
        fresh.append(client.get("/")[0])
    spent = cpu_s(pid) - began
    again = [client.get("/")[0] for _ in range(REQUESTS)]
    return {
        "cpu_ms": 1000 * spent / REQUESTS,
        "fresh_ms": 1000 * median(fresh),
        "fresh_90_ms": 1000 * sorted(fresh)[int(0.9 * len(fresh))],
        "again_ms": 1000 * median(again),
        "kb": weight / 1000,
        "lines": page.count("data-line="),
        "page_kb": len(page.encode()) / 1000,
    }


def main() -> None:
    """Measure, and print the table and the names."""
    seed = int(os.environ.get("SEED", "1"))
    say = print
    with tempfile.TemporaryDirectory() as where:
        full = measure(Path(where) / "full", full=True, seed=seed)
        empty = measure(Path(where) / "empty", full=False, seed=seed)
    say(f"SIMULATED farm of {TRAYS} trays, {full['batches']:.0f} batches, {SCALES} scales, against an empty one")
    say(f"{'':46}{'300 trays':>12}{'empty':>12}")
    for key, words in {
        "fresh_ms": "Rounds after a new entry, median, ms",
        "fresh_90_ms": "... 90 of 100, ms",
        "cpu_ms": "... processor time of the server, mean, ms",
        "again_ms": "Rounds again in the same minute, median, ms",
        "kb": "first view over the wire, kB",
        "page_kb": "the page before compression, kB",
        "lines": "lines on it",
    }.items():
        say(f"{words:46}{full[key]:>12.1f}{empty[key]:>12.1f}")
    names = {
        "seed": seed,
        "rounds_300_trays_ms": round(full["fresh_ms"], 1),
        "ratio_to_empty_page": round(full["fresh_ms"] / empty["fresh_ms"], 2),
        "rounds_300_trays_cpu_ms": round(full["cpu_ms"], 1),
        "first_view_kb": round(full["kb"], 1),
    }
    say(json.dumps(names))


if __name__ == "__main__":
    main()
