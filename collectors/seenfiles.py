"""Which rows of which watched files have been read; kept in a small file that is replaced whole."""

from __future__ import annotations

import hashlib
import json
import logging
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from monitor.errors import StoreError

log = logging.getLogger(__name__)

SCHEMA = "traywarden.watched/1"
WATCHED_FILE = "watched.json"
_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """How far a file has been read.

    Attributes:
        rows: Rows under its header.
        bytes: Bytes from its beginning that hold them.
        sha256: Of those bytes, so that another file under the same name is known.
    """

    rows: int
    bytes: int
    sha256: str


def digest(data: bytes) -> str:
    """Return the SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


class SeenFiles:
    """What was read of the watched folders' files, over restarts."""

    def __init__(self, path: Path) -> None:
        """Read what is known; a file that cannot be read is begun anew, since a row read again is stored once."""
        self._path = path
        self._done: dict[str, Done] = {}
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            self._done = {name: Done(**each) for name, each in told["files"].items()}
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as exc:
            log.warning("watched.begun_anew file=%s why=%s", path, exc)

    def of(self, key: str) -> Done | None:
        """Return how far a file was read, or None."""
        return self._done.get(key)

    def note(self, key: str, done: Done) -> None:
        """Keep how far a file was read; it is on disk when this returns.

        Raises:
            StoreError: It cannot be written.
        """
        self._done.pop(key, None)
        self._done[key] = done
        while len(self._done) > _REMEMBERED:
            del self._done[next(iter(self._done))]
        self._write()

    def forget(self, key: str) -> None:
        """Forget a file that was moved away."""
        if self._done.pop(key, None) is not None:
            self._write()

    def _write(self) -> None:
        """Replace the file by one that holds what is known now."""
        beside = self._path.with_name(f".{self._path.name}.new")
        told = {"schema": SCHEMA, "files": {name: asdict(each) for name, each in self._done.items()}}
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with beside.open("w", encoding="utf-8") as text:
                json.dump(told, text)
                text.flush()
                os.fsync(text.fileno())
            beside.replace(self._path)
        except OSError as exc:
            raise StoreError(f"{self._path} cannot be written: {exc}; see that the disk is not full") from exc
