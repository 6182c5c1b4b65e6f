"""Copies of what is kept: consistent while the service runs, checked before they are put back."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.errors import BackupError
from monitor.farm import StorageSettings
from monitor.stores.engine import LEDGER_FILE
from monitor.stores.historycopy import (
    check_whole,
    files_of,
    holds_files,
    is_history,
    look_at,
    put_in_place,
    undisturbed,
)
from monitor.stores.photos import FOLDER as PHOTOS
from monitor.stores.photos import is_photo
from monitor.stores.sqlite import HISTORY_FOLDER, READINGS_FILE

if TYPE_CHECKING:
    from sqlalchemy import Engine

MANIFEST = "manifest.json"
_COUNTED = {LEDGER_FILE: "entry", READINGS_FILE: "reading"}
_CHUNK = 1 << 20
FileStep = Callable[[Path], None]
"""Writes a ledger that is kept elsewhere to a file, or loads it from one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a backup says it holds.

    Attributes:
        made_at: When it was made.
        files: Name -> (SHA-256, number of rows).
        amiss: What was missing or damaged when it was made, a sentence each.
    """

    made_at: datetime
    files: dict[str, tuple[str, int]]
    amiss: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerSteps:
    """How a ledger that is kept elsewhere than in the storage folder gets into a backup, and out of one.

    Attributes:
        write: Writes it as a file; None: it is one, in the folder.
        load: Loads it from a file; None: the file is put into the folder.
    """

    write: FileStep | None = None
    load: FileStep | None = None


def ledger_steps(storage: StorageSettings, engine: Callable[[], Engine]) -> LedgerSteps:
    """Return how a farm's ledger gets into and out of a backup; the database is only opened where it is a server."""
    if storage.postgres is None:
        return LedgerSteps()
    from monitor.stores.ledgercopy import load_ledger_file, write_ledger_file

    return LedgerSteps(
        write=lambda path: write_ledger_file(engine(), path), load=lambda path: load_ledger_file(path, engine())
    )


def _copy_database(source: Path, target: Path) -> int:
    """Copy a SQLite file as one consistent state, and return its number of entries or readings."""
    try:
        with closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as reader:
            with closing(sqlite3.connect(target)) as writer:
                reader.backup(writer, pages=2_000, sleep=0)
                writer.execute("PRAGMA journal_mode=DELETE")
            with closing(sqlite3.connect(target)) as copy:
                return _rows(copy, _COUNTED[source.name])
    except sqlite3.Error as exc:
        raise BackupError(f"{source} cannot be copied: {exc}") from exc


def _copy_part(source: Path, target: Path, write: FileStep | None) -> int:
    """Copy one database, or have it written where it is no file, and return its number of entries or readings."""
    if write is None:
        return _copy_database(source, target)
    write(target)
    with closing(sqlite3.connect(target)) as copy:
        copy.execute("PRAGMA journal_mode=DELETE")
        return _rows(copy, _COUNTED[target.name])


def _rows(connection: sqlite3.Connection, table: str) -> int:
    """Return a table's number of rows."""
    return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def _sha256(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def backup(folder: Path, to: Path, *, now: datetime, write_ledger: FileStep | None = None) -> Manifest:
    """Write the databases of a storage folder into one zip file; the service may go on running.

    Args:
        folder: The storage folder.
        to: The file to write; it is complete under this name, or not there.
        now: When it is made.
        write_ledger: Writes the ledger as a file where it is kept elsewhere; None: it lies in the folder.

    Raises:
        StoreError: The ledger that is kept elsewhere cannot be read.
        BackupError: There is nothing to copy, the file exists, or it cannot be written.
    """
    present = [name for name in _COUNTED if (folder / name).exists() or (name == LEDGER_FILE and write_ledger)]
    if not present:
        raise BackupError(f"{folder} holds neither {LEDGER_FILE} nor {READINGS_FILE}: nothing to copy")
    if to.exists():
        raise BackupError(f"{to} is there already; name another file, or move that one away")
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        with undisturbed(folder), tempfile.TemporaryDirectory(dir=to.parent, prefix=".backup-") as work:
            files = {}
            for name in present:
                rows = _copy_part(folder / name, Path(work) / name, write_ledger if name == LEDGER_FILE else None)
                files[name] = (_sha256(Path(work) / name), rows)
            needed = files_of(Path(work) / READINGS_FILE) if READINGS_FILE in files else []
            history, amiss = look_at(folder, needed)
            manifest = Manifest(made_at=now, files=files | history | _photos(folder), amiss=tuple(amiss))
            _write_zip(Path(work), folder, manifest, to)
    except OSError as exc:
        raise BackupError(f"{to} cannot be written: {exc}") from exc
    return manifest


def _photos(folder: Path) -> dict[str, tuple[str, int]]:
    """Return the photos that lie beside the ledger, each with its SHA-256, as one row; none is ever changed."""
    kept = sorted((folder / PHOTOS).glob("*")) if (folder / PHOTOS).is_dir() else []
    return {f"{PHOTOS}/{each.name}": (_sha256(each), 1) for each in kept if is_photo(f"{PHOTOS}/{each.name}")}


def _write_zip(work: Path, folder: Path, manifest: Manifest, to: Path) -> None:
    """Put copies and manifest into one file, which gets its name when it is whole."""
    unfinished = work / "backup.zip"
    told = {
        "schema": "traywarden.backup/1",
        "made_at": manifest.made_at.isoformat(),
        "files": {name: {"sha256": digest, "rows": rows} for name, (digest, rows) in manifest.files.items()},
        "amiss": list(manifest.amiss),
    }
    with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
        archive.writestr(MANIFEST, json.dumps(told, indent=2))
        for name in manifest.files:
            if is_history(name) or is_photo(name):  # packed as tightly as can be already
                archive.write(folder / name, name, zipfile.ZIP_STORED)
            else:
                archive.write(work / name, name)
    _to_disk(unfinished)
    os.replace(unfinished, to)


def _to_disk(path: Path) -> None:
    """Wait until a file is on disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextmanager
def _opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """Give a backup's archive with its manifest."""
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive, _manifest(json.loads(archive.read(MANIFEST)))
    except (zipfile.BadZipFile, zipfile.LargeZipFile, KeyError, ValueError, OSError, EOFError) as exc:
        raise BackupError(f"{path} is no whole backup of Traywarden: {exc}") from exc


def _manifest(told: dict[str, Any]) -> Manifest:
    """Return what a manifest says."""
    files = {str(name): (str(each["sha256"]), int(each["rows"])) for name, each in told["files"].items()}
    unknown = sorted(name for name in files if name not in _COUNTED and not is_history(name) and not is_photo(name))
    if not files or unknown:
        raise ValueError(f"its manifest names {unknown or 'nothing'}")
    made_at = datetime.fromisoformat(told["made_at"]).astimezone(UTC)
    return Manifest(made_at=made_at, files=files, amiss=tuple(str(each) for each in told.get("amiss", ())))


def _unpack(archive: zipfile.ZipFile, manifest: Manifest, work: Path) -> None:
    """Unpack and check each database against the manifest, and by SQLite itself."""
    for name, (digest, rows) in manifest.files.items():
        target = work / name
        target.parent.mkdir(exist_ok=True)
        with archive.open(name) as source, target.open("wb") as file:
            shutil.copyfileobj(source, file, _CHUNK)
        if _sha256(target) != digest:
            raise BackupError(f"{name} in the backup is not what its manifest says: it was changed or damaged")
        if is_history(name) or is_photo(name):
            continue
        try:
            with closing(sqlite3.connect(target)) as copy:
                sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
                if sound != "ok" or _rows(copy, _COUNTED[name]) != rows:
                    raise BackupError(f"{name} in the backup is damaged: {sound}, {rows} rows were promised")
        except sqlite3.Error as exc:
            raise BackupError(f"{name} in the backup is no database: {exc}") from exc
    if READINGS_FILE in manifest.files:
        check_whole(work / READINGS_FILE, set(manifest.files), manifest.amiss)


def restore(
    path: Path, folder: Path, *, now: datetime, overwrite: bool = False, load_ledger: FileStep | None = None
) -> Manifest:
    """Put a backup's databases into a storage folder, after checking them; the service must be stopped.

    What was there stays beside it under a dated name.

    Args:
        path: The backup.
        folder: The storage folder.
        now: For the dated names.
        overwrite: Allow databases that are there to be put aside.
        load_ledger: Loads the ledger from a file where it is kept elsewhere; None: it is put into the folder.

    Raises:
        StoreError: The ledger that is kept elsewhere is not empty, or cannot be written.
        BackupError: The backup is not whole, or databases are there and ``overwrite`` is not given.
    """
    with _opened(path) as (archive, manifest):
        here = [name for name in _COUNTED if name in manifest.files and (name != LEDGER_FILE or load_ledger is None)]
        present = [name for name in here if (folder / name).exists()]
        if READINGS_FILE in here and holds_files(folder):
            present.append(HISTORY_FOLDER)
        if present and not overwrite:
            raise BackupError(
                f"{folder} holds {' and '.join(present)} already; stop the service and say --overwrite to put "
                "them aside"
            )
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=folder, prefix=".restore-") as work:
                _unpack(archive, manifest, Path(work))
                if load_ledger is not None and LEDGER_FILE in manifest.files:
                    load_ledger(Path(work) / LEDGER_FILE)
                if READINGS_FILE in here:
                    put_in_place(Path(work), folder, now)
                for name in filter(is_photo, manifest.files):
                    _put_photo(Path(work) / name, folder / name)
                for name in here:
                    _put_in_place(Path(work) / name, folder / name, now)
        except OSError as exc:
            raise BackupError(f"{folder} cannot be written: {exc}") from exc
    return manifest


def _put_photo(new: Path, target: Path) -> None:
    """Move a photo to its place; its name is made of its content, so one that is there is the same."""
    if target.exists():
        return
    target.parent.mkdir(exist_ok=True)
    _to_disk(new)
    os.replace(new, target)


def _put_in_place(new: Path, target: Path, now: datetime) -> None:
    """Move a database to its place; an older one, with its log files, goes aside under a dated name."""
    _to_disk(new)
    for suffix in ("", "-wal", "-shm"):
        old = target.with_name(target.name + suffix)
        if old.exists():
            old.rename(target.with_name(f"{target.name}{suffix}.before-{now:%Y%m%dT%H%M%SZ}"))
    os.replace(new, target)


def copy_ledger(ledger: Path, folder: Path, *, now: datetime, keep: int, write_ledger: FileStep | None = None) -> Path:
    """Copy the ledger into a folder under its date, and let go of the oldest copies.

    Args:
        ledger: The ledger database, where it is a file.
        folder: Where copies go; best on another disk.
        now: For the name.
        keep: How many copies stay.
        write_ledger: Writes the ledger as a file where it is kept elsewhere.

    Raises:
        StoreError: The ledger that is kept elsewhere cannot be read.
        BackupError: It cannot be copied or written.
    """
    target = folder / f"ledger-{now:%Y%m%dT%H%M%SZ}.db"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".copy-") as work:
            _copy_part(ledger, Path(work) / LEDGER_FILE, write_ledger)
            _to_disk(Path(work) / LEDGER_FILE)
            os.replace(Path(work) / LEDGER_FILE, target)
        for old in sorted(folder.glob("ledger-*.db"))[:-keep]:
            old.unlink()
    except OSError as exc:
        raise BackupError(f"the ledger cannot be copied to {folder}: {exc}") from exc
    return target
