"""The files of compacted readings in a backup: which belong to a copy of the readings file, and how they get back."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path

from monitor.errors import BackupError, StoreUnavailableError
from monitor.stores import catalog
from monitor.stores.compaction import locked, sha256_of
from monitor.stores.sqlite import HISTORY_FOLDER, READINGS_FILE

_NAME = re.compile(rf"{HISTORY_FOLDER}/[0-9A-Za-z_-]+\.parquet")


def is_history(name: str) -> bool:
    """Tell whether a name in a backup is one of a file of compacted readings."""
    return _NAME.fullmatch(name) is not None


@contextmanager
def undisturbed(folder: Path) -> Iterator[None]:
    """See that no compaction replaces files of a storage folder meanwhile; one that is running is waited for.

    The lock is taken where nothing was packed yet, too: a first compaction may begin at any moment. Where it cannot
    be, the folder is not to be written, and nobody compacts into it.
    """
    with ExitStack() as held:
        if (folder / READINGS_FILE).exists():
            with suppress(StoreUnavailableError):
                held.enter_context(locked(folder / HISTORY_FOLDER, wait=True))
        yield


def holds_files(folder: Path) -> bool:
    """Tell whether a storage folder has files of compacted readings."""
    return any((folder / HISTORY_FOLDER).glob("*.parquet"))


def files_of(readings: Path) -> list[catalog.FileFacts]:
    """Return the files that a copy of the readings file needs."""
    try:
        with closing(sqlite3.connect(readings)) as connection:
            if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'history_file'").fetchall():
                return []  # written by a version that did not compact yet
            return catalog.files(connection)
    except sqlite3.Error as exc:
        raise BackupError(f"{readings.name} cannot be read: {exc}") from exc


def look_at(folder: Path, wanted: list[catalog.FileFacts]) -> tuple[dict[str, tuple[str, int]], list[str]]:
    """Return name -> (SHA-256, readings) of files as they are, and a sentence for each that is not what it was."""
    found, amiss = {}, []
    for each in wanted:
        name = f"{HISTORY_FOLDER}/{each.name}"
        if not (folder / name).exists():
            amiss.append(f"{name} is missing, with {each.readings} readings")
            continue
        found[name] = (sha256_of(folder / name), each.readings)
        if found[name][0] != each.sha256:
            amiss.append(f"{name} is damaged: it is not what was written; copied as it is")
    return found, amiss


def check_whole(readings: Path, names: set[str], amiss: tuple[str, ...]) -> None:
    """See that a backup holds every file that its readings file needs, but for those that were missing then.

    Raises:
        BackupError: One is not there.
    """
    for each in files_of(readings):
        name = f"{HISTORY_FOLDER}/{each.name}"
        if name not in names and not any(said.startswith(f"{name} is missing") for said in amiss):
            raise BackupError(f"{name} is not in the backup, though its readings file needs it")


def put_in_place(work: Path, folder: Path, now: datetime) -> None:
    """Move the files of a backup to their place; what was there goes aside under a dated name."""
    old, new = folder / HISTORY_FOLDER, work / HISTORY_FOLDER
    if old.is_dir() and any(each.name != ".lock" for each in old.iterdir()):
        old.rename(old.with_name(f"{old.name}.before-{now:%Y%m%dT%H%M%SZ}"))
    elif old.is_dir():
        shutil.rmtree(old)
    if new.is_dir():
        os.replace(new, old)
