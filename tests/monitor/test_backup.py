"""Copies are consistent while the service writes, checked when they are put back, and never half there."""

from __future__ import annotations

import threading
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.backup import backup, copy_ledger, ledger_steps, restore
from monitor.errors import BackupError, StoreError
from monitor.farm import PostgresSettings, StorageSettings
from monitor.ledger import EntryKind
from monitor.readings import Block, Reading
from monitor.stores.ledger import open_ledger
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import new
from tests.support.postgres import Postgres

NOW = datetime(2026, 3, 2, 3, tzinfo=UTC)


def fill(folder: Path, readings: int = 50) -> None:
    """Make a storage folder with one entry and some readings."""
    ledger = open_ledger(folder)
    ledger.append([new(EntryKind.SOWN, NOW, trays=2, data={"crop": "radish"})], recorded_at=NOW)
    ledger.close()
    store = SqliteReadingStore(folder / "readings.db")
    rows = [Reading(sensor="air", measured_at=NOW + timedelta(minutes=n), value=n) for n in range(readings)]
    store.append(Block.from_readings(rows))
    store.close()


def test_a_backup_restores_to_the_same_rows(tmp_path: Path) -> None:
    """Into a new folder, ledger and readings."""
    fill(tmp_path / "a")
    manifest = backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)

    restored = restore(tmp_path / "copy.zip", tmp_path / "b", now=NOW)
    store, ledger = SqliteReadingStore(tmp_path / "b" / "readings.db"), open_ledger(tmp_path / "b")

    assert restored == manifest
    assert (store.count(), ledger.version()) == (50, 1)
    store.close()
    ledger.close()


def test_a_backup_while_readings_come_in_is_consistent(tmp_path: Path) -> None:
    """A writer goes on; the copy holds whole blocks of ten only."""
    fill(tmp_path / "a", readings=0)
    store = SqliteReadingStore(tmp_path / "a" / "readings.db")
    stop = threading.Event()
    written = [0]

    def write() -> None:
        while not stop.is_set():
            at = [NOW + timedelta(seconds=written[0] + n) for n in range(10)]
            store.append(Block.from_readings([Reading(sensor="air", measured_at=each, value=1.0) for each in at]))
            written[0] += 10

    writer = threading.Thread(target=write)
    writer.start()
    try:
        counts = [backup(tmp_path / "a", tmp_path / f"{n}.zip", now=NOW).files["readings.db"][1] for n in range(5)]
    finally:
        stop.set()
        writer.join()
        store.close()

    assert all(count % 10 == 0 for count in counts)
    assert counts == sorted(counts)


def test_a_changed_backup_is_refused(tmp_path: Path) -> None:
    """One other byte in a database inside, and nothing is touched."""
    fill(tmp_path / "a")
    backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    with zipfile.ZipFile(tmp_path / "copy.zip") as whole, zipfile.ZipFile(tmp_path / "bad.zip", "w") as bad:
        for name in whole.namelist():
            content = bytearray(whole.read(name))
            if name == "readings.db":
                content[-1] ^= 1
            bad.writestr(name, bytes(content))

    with pytest.raises(BackupError, match="changed or damaged"):
        restore(tmp_path / "bad.zip", tmp_path / "b", now=NOW)
    assert not list((tmp_path / "b").glob("*.db"))


@pytest.mark.parametrize("keep", [0, 10, 400])
def test_a_torn_backup_is_refused(tmp_path: Path, keep: int) -> None:
    """Cut off anywhere, it is no backup."""
    fill(tmp_path / "a")
    backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    (tmp_path / "torn.zip").write_bytes((tmp_path / "copy.zip").read_bytes()[:keep])

    with pytest.raises(BackupError, match="no whole backup"):
        restore(tmp_path / "torn.zip", tmp_path / "b", now=NOW)


def test_what_is_there_is_only_put_aside_when_asked(tmp_path: Path) -> None:
    """Without a word it is refused; with it, the old files stay under dated names."""
    fill(tmp_path / "a")
    backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)

    with pytest.raises(BackupError, match="--overwrite"):
        restore(tmp_path / "copy.zip", tmp_path / "a", now=NOW)
    restore(tmp_path / "copy.zip", tmp_path / "a", now=NOW, overwrite=True)

    assert (tmp_path / "a" / "ledger.db.before-20260302T030000Z").exists()


def test_nightly_copies_are_pruned(tmp_path: Path) -> None:
    """The newest stay."""
    fill(tmp_path / "a")
    for day in range(5):
        copy_ledger(tmp_path / "a" / "ledger.db", tmp_path / "copies", now=NOW + timedelta(days=day), keep=3)

    assert [path.name[:15] for path in sorted((tmp_path / "copies").glob("*.db"))] == [
        "ledger-20260304",
        "ledger-20260305",
        "ledger-20260306",
    ]


@pytest.mark.live
@pytest.mark.xdist_group("postgres")
def test_a_ledger_on_a_server_is_in_the_backup_and_comes_back(tmp_path: Path, postgres: Postgres) -> None:
    """The backup of a farm on PostgreSQL restores into a file, and into an empty database, but into no other."""
    fill(tmp_path / "a")
    file = tmp_path / "a.zip"
    backup(tmp_path / "a", file, now=NOW)
    storage = StorageSettings(folder=tmp_path / "b", postgres=PostgresSettings(address=postgres.new_database()))
    server = open_ledger(storage.folder, storage.postgres)
    steps = ledger_steps(storage, lambda: server.engine)
    restore(file, storage.folder, now=NOW, load_ledger=steps.load)
    assert not (storage.folder / "ledger.db").exists()
    again = backup(storage.folder, tmp_path / "b.zip", now=NOW, write_ledger=steps.write)
    copied = copy_ledger(storage.folder / "ledger.db", tmp_path / "n", now=NOW, keep=3, write_ledger=steps.write)
    with pytest.raises(StoreError, match="only copied into an empty database"):
        restore(file, storage.folder, now=NOW, overwrite=True, load_ledger=steps.load)
    restore(tmp_path / "b.zip", tmp_path / "c", now=NOW)

    back, was = open_ledger(tmp_path / "c"), open_ledger(tmp_path / "a")
    assert back.entries() == was.entries() == server.entries()
    assert {name: rows for name, (_, rows) in again.files.items()} == {"ledger.db": 1, "readings.db": 50}
    assert copied.stat().st_size > 0
    for each in (back, was, server):
        each.close()
