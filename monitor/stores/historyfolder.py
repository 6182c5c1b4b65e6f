"""The folder of compacted readings: its files, kept open for a while by each thread that reads them."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.stores.history import HistoryFile

_KEPT_OPEN = 64


class HistoryFolder:
    """Opens files by name. A file never changes under its name, so one that is open may be read again."""

    def __init__(self, folder: Path) -> None:
        """Take the folder, which need not be there yet."""
        self.folder = folder
        self._local = threading.local()
        self._all: list[OrderedDict[str, HistoryFile]] = []
        self._lock = threading.Lock()

    def _open(self) -> OrderedDict[str, HistoryFile]:
        """Return the files that this thread has open, the longest unused first."""
        known: OrderedDict[str, HistoryFile] | None = getattr(self._local, "files", None)
        if known is None:
            known = self._local.files = OrderedDict()
            with self._lock:
                self._all.append(known)
        return known

    def file(self, name: str) -> HistoryFile:
        """Return a file, open.

        Raises:
            FileNotFoundError: It is not there (any more).
            StoreError: It is no whole file of compacted readings.
        """
        from monitor.stores.history import HistoryFile

        known = self._open()
        found = known.get(name)
        if found is None:
            found = known[name] = HistoryFile(self.folder / name)
            while len(known) > _KEPT_OPEN:
                known.popitem(last=False)[1].close()
        known.move_to_end(name)
        return found

    def close(self) -> None:
        """Let go of all files."""
        with self._lock:
            for known in self._all:
                while known:
                    known.popitem()[1].close()
