"""`make bench-report`: how long a look-back takes on a large store of SIMULATED readings.

A 14-day batch at one reading a minute from ten sensors, twenty batches beside it, READINGS in the store (10 million
unless said; READINGS=50000000 for the full figure). Seconds are those inside a warm service: facts, suspects, picture
and page. They are held against the bare scans of the same rows, readings and rolled-up bins, from the same store; and
the command line is timed in a process of its own. On a machine that is busy with other work look at the CPU seconds.
FOLDER=path keeps the store for another run.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import numpy as np

from dashboards.lookbackmake import Made, make
from monitor.farm import Farm
from monitor.farmfile import load_farm
from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, to_ms
from monitor.rolling import Width
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore

READINGS = 10_000_000
DAYS = 120
PER_RACK = 10
PER_SHELF = ("temperature", "humidity", "ppfd", "weight", "light")
SHELVES = 2  # of the batch's own sensors: two shelves of five make ten
BEGIN = datetime(2026, 1, 5, tzinfo=UTC)
NOW = BEGIN + timedelta(days=DAYS)
CROP = "basil"
_CHUNK_DAYS = 10


def farm_text(shelves: int) -> str:
    """Return farm.toml of a farm with five sensors on each of some shelves."""
    text = [
        '[farm]\nname = "Saltcellar Farm (simulated)"\ntime_zone = "UTC"\nrounds = ["07:30", "17:00"]\n',
        '[[room]]\nid = "cellar"\nlamp = "06:00-22:00"\n',
        *(
            f'[[rack]]\nid = "{rack}"\nroom = "cellar"\nshelves = {PER_RACK}\ntrays_per_shelf = 12\n'
            for rack in range(1, (shelves - 1) // PER_RACK + 2)
        ),
        '[[person]]\nid = "ines"\nchannels = ["console"]\n',
    ]
    for shelf in range(1, shelves + 1):
        for quantity in PER_SHELF:
            more = {"weight": "dry_g = 1400\nfull_g = 1850\n", "light": "under_cover = true\n"}.get(quantity, "")
            spot = spot_of(shelf) + ("/1" if quantity == "weight" else "")
            text.append(
                f'[[sensor]]\nid = "{quantity[0]}{shelf}"\nquantity = "{quantity}"\nspot = "{spot}"\n'
                f'topic = "t/{quantity[0]}{shelf}"\n{more}'
            )
    return "\n".join(text)


def spot_of(shelf: int) -> str:
    """Return the place of a shelf, counted from 1 over all racks."""
    return f"cellar/{(shelf - 1) // PER_RACK + 1}/{(shelf - 1) % PER_RACK + 1}"


def values_of(quantity: str, hours: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a simulated series of a quantity."""
    day = np.sin(hours / 24 * 2 * np.pi)
    noise = rng.normal(0, 1, len(hours))
    lit = (hours % 24 >= 6) & (hours % 24 < 22)
    made = {
        "temperature": 23.5 + day + 0.1 * noise,
        "humidity": 58 - 4 * day + 0.5 * noise,
        "ppfd": np.where(lit, 180 + noise, 0.0),
        "weight": 1850 - (hours % 36) * 14 + noise,
        "light": np.abs(0.2 * noise),
    }
    return np.round(made[quantity], 2)


def fill(folder: Path, readings: int) -> Farm:
    """Write farm, ledger and readings into a folder, unless they lie there."""
    shelves = max(SHELVES, round(readings / (DAYS * 1440 * len(PER_SHELF))))
    path = folder / "farm.toml"
    is_new = not path.exists()
    path.write_text(farm_text(shelves), encoding="utf-8")
    farm = load_farm(path)
    if not is_new:
        return farm
    ledger = open_ledger(farm.storage.folder)
    write_batches(ledger, shelves)
    ledger.close()
    store = SqliteReadingStore(farm.storage.folder / READINGS_FILE)
    rng = np.random.default_rng(1)
    sensors = [(f"{quantity[0]}{shelf}", quantity) for shelf in range(1, shelves + 1) for quantity in PER_SHELF]
    for first in range(0, DAYS, _CHUNK_DAYS):
        minutes = np.arange(first * 1440, (first + _CHUNK_DAYS) * 1440)
        at_ms = to_ms(BEGIN) + minutes.astype(np.int64) * 60_000
        for name, quantity in sensors:
            n = len(at_ms)
            store.append(
                Block(
                    sensors=(name,), sensor_index=np.zeros(n, dtype=np.int32), measured_at_ms=at_ms,
                    value=values_of(quantity, minutes / 60, rng), flag=np.ones(n, dtype=np.int8),
                    doubt=np.zeros(n, dtype=np.int16),
                )
            )  # fmt: skip
    store.roll_up(NOW)
    store.close()
    return farm


def write_batches(ledger: SqlLedger, shelves: int) -> None:
    """Write the batch that is asked about, and twenty beside it, as entries."""
    for number in range(1, 22):
        is_asked = number == 21
        days_back = 15 if is_asked else 16 + 4 * (number - 1)
        sown_at = NOW - timedelta(days=days_back)
        shelf = 1 if is_asked else 1 + number % min(shelves, 8)
        batch = str(number)
        first: dict[str, Any] = {"by": "ines", "batch": batch}
        data = {"crop": CROP, "tray_kind": "1020", "seed_g_per_tray": 10.0, "lot": f"B-{number % 4}"}
        entries = [
            NewEntry(kind=EntryKind.SOWN, at=sown_at, trays=6, spot=spot_of(shelf), data=data, **first),
            NewEntry(kind=EntryKind.STACKED, at=sown_at, **first),
            NewEntry(kind=EntryKind.UNCOVERED, at=sown_at + timedelta(days=5), **first),
            NewEntry(kind=EntryKind.LIGHTS_ON, at=sown_at + timedelta(days=7), **first),
            *(
                NewEntry(kind=EntryKind.WATERED, at=sown_at + timedelta(days=day), data={"ml_per_tray": 300}, **first)
                for day in range(7, 14, 2)
            ),
            NewEntry(kind=EntryKind.HARVESTED, at=sown_at + timedelta(days=14), data={"grams": 900}, **first),
            NewEntry(
                kind=EntryKind.OUTCOME, at=sown_at + timedelta(days=14, hours=1),
                data={"stand": 2 if is_asked else 4.5}, **first,
            ),
        ]  # fmt: skip
        ledger.append(entries, recorded_at=sown_at, check=lambda _known: None)


def bare_scan(store: SqliteReadingStore, made: Made, farm: Farm) -> tuple[float, int]:
    """Return how long the bare scans of the same rows take, and how many rows they are."""
    begin, rows = perf_counter(), 0
    for reads in made.reads:
        for sensor in reads.sensors:
            if reads.width is None:
                rows += len(store.read([sensor], reads.begin, reads.end))
            else:
                rows += len(store.rolled([sensor], reads.begin, reads.end, Width(reads.width)))
    return perf_counter() - begin, rows


def main() -> None:
    """Fill the store, make the report, print what it took and one line of JSON."""
    readings = int(os.environ.get("READINGS", str(READINGS)))
    keep = os.environ.get("FOLDER")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(keep or temporary)
        folder.mkdir(parents=True, exist_ok=True)
        begin = perf_counter()
        farm = fill(folder, readings)
        filled = perf_counter() - begin
        print(json.dumps(measure(farm, folder, filled)))  # noqa: T201 # the last line is the result


def measure(farm: Farm, folder: Path, filled: float) -> dict[str, float | int]:
    """Return the figures of one farm."""
    store = SqliteReadingStore(farm.storage.folder / READINGS_FILE)
    ledger = open_ledger(farm.storage.folder)
    profiles, entries = shipped_profiles(), ledger.entries()

    def once() -> tuple[float, float, Made, int, float]:
        begin, cpu = perf_counter(), process_time()
        made = make(farm, profiles, entries, "21", store, now=NOW, model_folder=folder)
        facts = perf_counter() - begin
        size = len(made.page().encode())
        return perf_counter() - begin, facts, made, size, process_time() - cpu

    once()  # a warm service: imports done, pages of the file in memory
    runs = sorted((once() for _ in range(3)), key=lambda run: run[0])
    seconds, facts, made, size, cpu_seconds = runs[1]
    scans = sorted(bare_scan(store, made, farm)[0] for _ in range(3))
    cpu = process_time()
    rows = bare_scan(store, made, farm)[1]
    scan_cpu = process_time() - cpu
    in_store = store.count()
    store.close()
    ledger.close()
    begin = perf_counter()
    subprocess.run(
        [sys.executable, "-m", "monitor.cli", "--farm", str(folder / "farm.toml"), "lookback", "21", "--html",
         str(folder / "page.html")],
        check=True, capture_output=True, env={**os.environ, "TRAYWARDEN_NOW": NOW.isoformat()},
    )  # fmt: skip
    return {
        "readings_in_store": in_store,
        "seconds": round(seconds, 3),
        "seconds_without_page": round(facts, 3),
        "ratio_to_scan": round(seconds / scans[1], 2),
        "ratio_without_page": round(facts / scans[1], 2),
        "cpu_seconds": round(cpu_seconds, 3),
        "ratio_to_scan_cpu": round(cpu_seconds / scan_cpu, 2),
        "scan_seconds": round(scans[1], 3),
        "rows_read": rows,
        "command_line_seconds": round(perf_counter() - begin, 2),
        "page_bytes": size,
        "batches_beside": len(made.found.beside),
        "fill_seconds": round(filled, 1),
    }


if __name__ == "__main__":
    main()
