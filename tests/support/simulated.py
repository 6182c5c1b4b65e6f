"""A simulated farm with one bad batch, written to a folder as a farm.toml, a ledger and a store of readings."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np

from monitor.ledger import NewEntry
from monitor.profilefile import shipped_profiles
from monitor.readings import Block
from monitor.stores.ledger import open_ledger
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore
from simulated_feeds.badfarm import Case, farm_text, make_case, simulated_farm
from tests.support.typist import Typist


class BadBatch(Typist):
    """A person who types at a farm on which a batch was spoilt by causes that are known.

    Attributes:
        case: The simulated case.
    """

    def __init__(self, folder: Path, *causes: str, seed: int = 1) -> None:
        """Make the case, and write it down."""
        self.case: Case = make_case(np.random.default_rng([4711, seed]), simulated_farm(), shipped_profiles(), causes)
        self.path, self.now = folder / "farm.toml", self.case.now
        self.path.write_text(farm_text(), encoding="utf-8")
        ledger = open_ledger(folder / "data")
        for entry in self.case.entries:
            values = {each.name: getattr(entry, each.name) for each in fields(NewEntry)}
            ledger.append([NewEntry(**values)], recorded_at=entry.at, check=lambda _known: None)
        ledger.close()
        store = SqliteReadingStore(folder / "data" / READINGS_FILE)
        for sensor, (at_ms, value) in self.case.readings.items():
            store.append(block_of(sensor, at_ms, value))
        store.close()


def block_of(sensor: str, at_ms: np.ndarray, value: np.ndarray) -> Block:
    """Return good readings of one sensor as a block."""
    n = len(at_ms)
    return Block(
        sensors=(sensor,),
        sensor_index=np.zeros(n, dtype=np.int32),
        measured_at_ms=at_ms,
        value=value,
        flag=np.ones(n, dtype=np.int8),
        doubt=np.zeros(n, dtype=np.int16),
    )
