"""Copies are consistent while the service writes, checked when they are put back, and never half there."""

from __future__ import annotations

import io
import json
import threading
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image

from monitor.backup import backup, copy_ledger, ledger_steps, restore
from monitor.errors import BackupError, StoreError, StoreUnavailableError
from monitor.farm import PostgresSettings, StorageSettings
from monitor.ledger import EntryKind
from monitor.readings import Block, Reading, to_ms
from monitor.stores.ledger import open_ledger
from monitor.stores.photos import keep_photo, read_photo
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.commands import call
from tests.support.farms import TEXT, new
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


def test_photos_go_with_the_ledger(tmp_path: Path) -> None:
    """Each in the backup, and back where it was; one that is there already stays; what is no photo stays out."""
    fill(tmp_path / "a")
    name = keep_photo(a_photo("green"), tmp_path / "a")
    other = keep_photo(a_photo("red"), tmp_path / "a")
    (tmp_path / "a" / "photos" / "notes.txt").write_text("no photo", encoding="utf-8")
    keep_photo(a_photo("red"), tmp_path / "b")

    manifest = backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    restore(tmp_path / "copy.zip", tmp_path / "b", now=NOW)

    assert {each for each in manifest.files if each.startswith("photos")} == {f"photos/{name}", f"photos/{other}"}
    assert read_photo(name, tmp_path / "b") == read_photo(name, tmp_path / "a")
    assert sorted(each.name for each in (tmp_path / "b" / "photos").iterdir()) == sorted([name, other])


def a_photo(colour: str) -> bytes:
    """Return a small picture of one colour."""
    written = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(written, "PNG")
    return written.getvalue()


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


LATER = NOW + timedelta(days=400)


def packed(folder: Path) -> dict[tuple[str, int], float]:
    """Fill a folder, pack some of its readings, add a late one, and return what it holds."""
    fill(folder, readings=60)
    store = SqliteReadingStore(folder / "readings.db")
    store.compact(NOW + timedelta(minutes=40), now=NOW)
    store.append(Block.from_readings([Reading(sensor="air", measured_at=NOW, value=77.0)]))
    held = everything(store)
    store.close()
    return held


def everything(store: SqliteReadingStore) -> dict[tuple[str, int], float]:
    """Return what a store holds."""
    rows = store.read(store.sensors(), NOW - timedelta(days=400), LATER).readings()
    return {(row.sensor, to_ms(row.measured_at)): row.value for row in rows}


def held_in(folder: Path) -> dict[tuple[str, int], float]:
    """Return what the store in a folder holds."""
    store = SqliteReadingStore(folder / "readings.db")
    held = everything(store)
    store.close()
    return held


def test_packed_readings_are_in_the_backup(tmp_path: Path) -> None:
    """Files and rows come back as one; what was in the place is put aside, files too."""
    held = packed(tmp_path / "a")
    manifest = backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    packed(tmp_path / "b")

    with pytest.raises(BackupError, match="history"):
        restore(tmp_path / "copy.zip", tmp_path / "b", now=NOW)
    restored = restore(tmp_path / "copy.zip", tmp_path / "b", now=NOW, overwrite=True)

    assert restored == manifest
    assert [rows for name, (_, rows) in manifest.files.items() if name.startswith("history/")] == [40]
    assert held_in(tmp_path / "b") == held
    assert list((tmp_path / "b" / "history.before-20260302T030000Z").glob("*.parquet"))


def test_a_backup_without_a_file_that_it_needs_is_refused(tmp_path: Path) -> None:
    """Its manifest was changed to hide that."""
    packed(tmp_path / "a")
    backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    with zipfile.ZipFile(tmp_path / "copy.zip") as whole, zipfile.ZipFile(tmp_path / "bad.zip", "w") as bad:
        told = json.loads(whole.read("manifest.json"))
        told["files"] = {name: each for name, each in told["files"].items() if not name.startswith("history")}
        bad.writestr("manifest.json", json.dumps(told))
        for name in told["files"]:
            bad.writestr(name, whole.read(name))

    with pytest.raises(BackupError, match="is not in the backup"):
        restore(tmp_path / "bad.zip", tmp_path / "b", now=NOW)


@pytest.mark.parametrize("damage", ["missing", "damaged"])
def test_one_file_amiss_does_not_keep_the_rest_from_being_backed_up(tmp_path: Path, damage: str) -> None:
    """It is named, all else is copied, and the backup can be restored."""
    packed(tmp_path / "a")
    (file,) = (tmp_path / "a" / "history").glob("*.parquet")
    if damage == "missing":
        file.unlink()
    else:
        file.write_bytes(file.read_bytes()[:-9] + b"something")

    manifest = backup(tmp_path / "a", tmp_path / "copy.zip", now=NOW)
    restored = restore(tmp_path / "copy.zip", tmp_path / "b", now=NOW)

    assert [said.split(",")[0].split(":")[0] for said in manifest.amiss] == [f"history/{file.name} is {damage}"]
    assert restored == manifest


def test_a_backup_taken_during_compactions_is_whole(tmp_path: Path) -> None:
    """Rows move into files, which are replaced, while copies are made: each copy holds everything once."""
    folder = tmp_path / "a"
    fill(folder, readings=600)
    store = SqliteReadingStore(folder / "readings.db")
    expected = everything(store)
    stop = threading.Event()

    def compact() -> None:
        minute = 0
        while not stop.is_set():
            minute += 7
            try:
                store.compact(NOW + timedelta(minutes=minute), now=NOW)
            except StoreUnavailableError:
                continue

    worker = threading.Thread(target=compact)
    worker.start()
    try:
        for number in range(4):
            backup(folder, tmp_path / f"{number}.zip", now=NOW)
    finally:
        stop.set()
        worker.join()
        store.close()
    for number in range(4):
        restore(tmp_path / f"{number}.zip", tmp_path / f"r{number}", now=NOW)

        assert held_in(tmp_path / f"r{number}") == expected


def test_a_name_that_lies_in_the_folder_is_never_taken(tmp_path: Path) -> None:
    """A restored readings file counts from where it was; a file of that name that somebody put there stays."""
    packed(tmp_path / "a")
    stray = tmp_path / "a" / "history" / "2026-03-000002.parquet"
    stray.write_bytes(b"whose is it")
    store = SqliteReadingStore(tmp_path / "a" / "readings.db")
    expected = everything(store)
    store.compact(LATER, now=NOW)
    held = everything(store)
    store.close()

    assert held == expected
    assert stray.read_bytes() == b"whose is it"


def test_readings_that_are_kept_elsewhere_are_said_to_be_missing(tmp_path: Path) -> None:
    """A backup of a farm on InfluxDB said "readings.db: 0 rows", and looked whole."""
    path = tmp_path / "farm.toml"
    influx = '[storage.influx]\nurl = "http://127.0.0.1:8086"\ndatabase = "saltcellar"\n'
    fill(tmp_path / "data")
    said = {}
    for name, more in (("elsewhere", influx), ("here", "")):
        path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), "utf-8")
        said[name] = call(path, "backup", str(tmp_path / f"{name}.zip")).out

    missing = "Readings that lie in the InfluxDB at http://127.0.0.1:8086 are not in it"
    assert missing in said["elsewhere"]
    assert "InfluxDB" not in said["here"]
