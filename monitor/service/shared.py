"""What a farm needs whose work is shared by several processes, and the names by which they go."""

from __future__ import annotations

import fcntl
import re
import socket
from pathlib import Path
from typing import IO

from monitor.errors import RefusedError
from monitor.farm import Farm, InfluxSettings, PostgresSettings

_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


def shared_stores(farm: Farm, command: str) -> tuple[InfluxSettings, PostgresSettings]:
    """Return where a farm keeps what its processes share.

    Raises:
        RefusedError: It keeps its readings or its ledger in a file of one machine.
    """
    influx, postgres = farm.storage.influx, farm.storage.postgres
    lacks = [each for each, has in (("[storage.influx]", influx), ("[storage.postgresql]", postgres)) if has is None]
    if influx is None or postgres is None:
        raise RefusedError(
            f"`traywarden {command}` does a part of the work beside other processes, which must share readings and "
            f'ledger: farm.toml lacks {" and ".join(lacks)} (README, "Several rooms"). On one machine '
            "`traywarden run` does all of it in one process, and needs neither"
        )
    return influx, postgres


def process_name(said: str | None) -> str:
    """Return the name of a process: what was said, or that of its machine.

    Raises:
        RefusedError: It is no name.
    """
    name = said if said is not None else re.sub(r"[^A-Za-z0-9_-]", "-", socket.gethostname())[:40]
    if not _NAME.fullmatch(name):
        raise RefusedError(f"{name!r} cannot be a name; use letters, digits, - and _, 40 at most, with --name")
    return name


def hold_name(folder: Path, kind: str, name: str) -> IO[str]:
    """Return an open file that keeps a second process of the same kind and name from starting on this machine.

    Raises:
        RefusedError: There is one already.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{kind}-{name}.lock"
    file = path.open("a", encoding="utf-8")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        file.close()
        raise RefusedError(
            f"a {kind} named {name} runs on this machine already; stop it first, or give this one another --name"
        ) from exc
    return file
