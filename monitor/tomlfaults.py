"""Faults of a TOML text: each with the line of its key, all of them at once; pure."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any

from monitor.errors import Fault

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-\".]+)\s*=")
_LONG_TEXT = re.compile(r"=\s*(\"{3}|'{3})")
_PLACE = re.compile(r"\[(\d+)\]")
_BEYOND_ANY = 1e15
"""No number of a settings file is as large; what is would not survive as a float."""
_AT_LINE = re.compile(r"at line (\d+)")


def syntax_fault(exc: tomllib.TOMLDecodeError, file: str, text: str = "") -> Fault:
    """Return what the TOML reader tripped over, as a fault; one at the end of ``text`` is at its last line."""
    told = str(exc)
    line = _AT_LINE.search(told)
    return Fault(
        file=file,
        line=int(line.group(1)) if line else text.rstrip().count("\n") + 1 if text else None,
        key="file",
        found=told,
        allowed="TOML: [table], key = value, texts in quotes",
    )


def line_of(text: str, key: str) -> int | None:
    """Return the line of a dotted key such as ``sensor[2].topic``, or of the nearest table that holds it.

    Args:
        text: The TOML text.
        key: Dotted path; ``[n]`` counts tables of an array from 0.

    Returns:
        The line counted from 1; None where nothing of the path stands in the text.
    """
    wanted = [(_PLACE.sub("", part), [int(n) for n in _PLACE.findall(part)]) for part in key.split(".")]
    counts: dict[str, int] = {}
    best: tuple[int, int] | None = None  # (parts matched, line)
    table: list[tuple[str, int | None]] = []
    for number, line in _lines_outside_texts(text):
        header = _HEADER.match(line)
        if header:
            table = _table(header, counts)
            best = _better(best, _matched(table, wanted), number)
            continue
        entry = _KEY.match(line)
        if entry:
            path = [*table, *((part.strip('"'), None) for part in entry.group(1).split("."))]
            best = _better(best, _matched(path, wanted), number)
    return None if best is None else best[1]


def _lines_outside_texts(text: str) -> Iterator[tuple[int, str]]:
    """Yield the numbered lines that are not the inside of a text over several lines."""
    within = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if within:
            if within in line:
                within = ""
            continue
        yield number, line
        opened = _LONG_TEXT.search(line)
        if opened and line.count(opened.group(1)) % 2:
            within = opened.group(1)


def _table(header: re.Match[str], counts: dict[str, int]) -> list[tuple[str, int | None]]:
    """Return a header's path, its last part counted where it is one table of an array."""
    names = [name.strip().strip('"') for name in header.group(2).split(".")]
    joined = ".".join(names)
    if header.group(1) == "[[":
        counts[joined] = counts.get(joined, -1) + 1
        for known in [name for name in counts if name.startswith(joined + ".")]:
            counts[known] = -1
    path: list[tuple[str, int | None]] = []
    for length, name in enumerate(names, start=1):
        path.append((name, counts.get(".".join(names[:length]))))
    return path


def _matched(path: list[tuple[str, int | None]], wanted: list[tuple[str, list[int]]]) -> int:
    """Return how many parts of the wanted path a path fulfils; 0 where it leads elsewhere."""
    if len(path) > len(wanted):
        return 0
    for (name, place), (wanted_name, places) in zip(path, wanted, strict=False):
        if name != wanted_name or (places and place is not None and place != places[0]):
            return 0
    return len(path)


def _better(best: tuple[int, int] | None, matched: int, line: int) -> tuple[int, int] | None:
    """Return the longer match; of equal ones the first."""
    if matched and (best is None or matched > best[0]):
        return matched, line
    return best


class FaultReader:
    """Reads one file key by key, and collects what is wrong with it."""

    def __init__(self, text: str, file: str) -> None:
        """Take the file's text and the name that a person knows it by."""
        self.text, self.file = text, file
        self.faults: list[Fault] = []

    def fault(self, key: str, found: object, allowed: str) -> None:
        """Note one fault."""
        self.faults.append(
            Fault(file=self.file, line=line_of(self.text, key), key=key, found=_shown(found), allowed=allowed)
        )

    def known(self, table: Mapping[str, Any], allowed: set[str], path: str) -> None:
        """Note every key that is not one of those allowed."""
        for key in table:
            if key not in allowed:
                near = get_close_matches(key, allowed, n=1)
                hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(sorted(allowed))}"
                self.fault(f"{path}{key}", "an unknown key", hint)

    def text_at(self, table: Mapping[str, Any], key: str, path: str = "") -> str:
        """Return a text that must be there."""
        value = table.get(key)
        if not isinstance(value, str) or not value.strip():
            self.fault(f"{path}{key}", value, "a text is needed here")
            return ""
        return value

    def texts_at(self, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        """Return a list of texts; none where the key is missing."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            self.fault(key, value, "a list of texts is needed here")
            return ()
        return tuple(value)

    def number(self, value: object, path: str) -> float:
        """Return a number; not-a-number and truth values are none."""
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _BEYOND_ANY:
            self.fault(path, value, "a number is needed here")
            return 0.0
        return float(value)


def _shown(value: object) -> str:
    """Return a value as a fault shows it."""
    if value is None:
        return "nothing"
    return value[:80] if isinstance(value, str) and value.isprintable() else repr(value)[:80]
