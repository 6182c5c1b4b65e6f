"""Rows of watched files that could not be read, read again where their file lies now."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from collectors import csvfile
from collectors.decode import Decoded, Decoding
from collectors.folders import MORE_LINES, TOPIC, wish_of
from collectors.seenfiles import SeenFiles
from monitor.errors import ImportFileError, UnitError
from monitor.farm import Farm
from monitor.feeds import WatchedFolder
from monitor.unread import Unread

_LINE = re.compile(r"(?P<name>.+), line (?P<line>\d+)")

Rows = Mapping[int, list[Decoded]]
Faults = Mapping[int, str]


class FilesAgain:
    """Looks into the watched folders for rows that could not be read; it moves and notes nothing."""

    def __init__(self, farm: Farm, seen: SeenFiles) -> None:
        """Take the farm's folders, and what was read of their files."""
        self._farm, self._seen = farm, seen
        self._table = cache(self._read)

    def is_file(self, unread: Unread, *, is_claimed: bool) -> bool:
        """Tell whether it came out of a watched folder; a topic that sensors claim is one only where the folder is."""
        name = unread.topic.removeprefix(TOPIC)
        return name != unread.topic and (name in self._farm.feeds.folders or not is_claimed)

    def decoding(self, unread: Unread) -> tuple[Decoding | None, str | None]:
        """Return (what stands there now, why nothing can be made of it)."""
        folder = self._farm.feeds.folders.get(unread.topic.removeprefix(TOPIC))
        if folder is None:
            return None, f"farm.toml has no folder {unread.topic.removeprefix(TOPIC)!r} any more"
        said = unread.payload.decode("utf-8", "replace")
        line = _LINE.fullmatch(said)
        return self._whole(folder, said, unread) if line is None else self._row(folder, line, unread)

    def _whole(self, folder: WatchedFolder, name: str, unread: Unread) -> tuple[Decoding | None, str | None]:
        """Say of a file that was set aside whether it was put back and read since."""
        if self._seen.of(f"{folder.id}/{name}") is not None:
            return Decoding([], [], keeps_times=True), None
        return None, unread.why

    def _row(self, folder: WatchedFolder, line: re.Match[str], unread: Unread) -> tuple[Decoding | None, str | None]:
        """Return what a line, or all from it on, says now."""
        first, name = int(line["line"]), line["name"]
        try:
            rows, faults = self._table(folder.id, name)
        except (ImportFileError, UnitError, OSError) as exc:
            return None, f"{name} cannot be read again: {exc}"
        asked = range(first, max([first, *rows, *faults]) + 1) if unread.why.endswith(MORE_LINES) else (first,)
        wrong = [at for at in asked if at in faults]
        if not wrong and first not in rows:
            return None, f"{name} has no line {first} any more"
        values = [value for at in asked for value in rows.get(at, ())]
        if wrong:
            more = f"; {len(wrong) - 1} {MORE_LINES}" if len(wrong) > 1 else ""
            return Decoding(values, [f"{name}, line {wrong[0]}: {faults[wrong[0]]}{more}"], keeps_times=True), None
        return Decoding(values, [], keeps_times=True), None

    def _read(self, folder_id: str, name: str) -> tuple[Rows, Faults]:
        """Return the rows of a file by their line, and what is wrong with others."""
        folder = self._farm.feeds.folders[folder_id]
        path = folder.path / Path(name).name
        wish = wish_of(folder, self._farm.sensors)
        manner = csvfile.look_over(path, wish)
        rows: dict[int, list[Decoded]] = {}
        faults: dict[int, str] = {}

        def err(line: int, why: str) -> None:
            faults.setdefault(line, why)

        for row in csvfile.read_values(path, wish, manner, err):
            at_s = row.at.timestamp()
            rows[row.line] = [Decoded(sensor, value, at_s, at_s) for sensor, value in row.values]
        return rows, faults
