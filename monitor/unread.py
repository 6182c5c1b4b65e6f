"""What came in and could not be read: messages, rows of files, registers, rows that a server refused; pure."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

QUARANTINE_ROWS = 1_000
"""So many messages that could not be read are kept; a newer one pushes the oldest out."""
QUARANTINE_BYTES = 64_000_000
"""And of long ones so many bytes, since their list is looked through in memory; the newest is always kept. Ours."""
REFUSED = "store"
"""Stands in place of a topic for rows that an InfluxDB refused."""
KEPT_BY_BROKER = " (the broker had kept this message: it may be older than its arrival)"
"""What the reason of a retained message ends in, so that it is not taken for a fresh one later."""

_BYTES = re.compile(r"""b'(?:[^'\\]|\\.)*'|b"(?:[^"\\]|\\.)*\"""")
_NUMBER = re.compile(r"(?<![\w.-])[-+]?\d[\w.+-]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """One message that could not be read, wholly or in part.

    Attributes:
        id: Its number where it is kept.
        arrived_at: When it came.
        topic: Its topic; ``file/``, ``modbus/`` or ``push/`` and a name where it did not come over MQTT.
        payload: Its bytes; of a file its name and line.
        why: What is wrong with it.
    """

    id: int
    arrived_at: datetime
    topic: str
    payload: bytes
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """Messages of one topic that cannot be read for one reason.

    Attributes:
        newest: The newest of them.
        count: How many there are.
        first_at: When the oldest came.
    """

    newest: Unread
    count: int
    first_at: datetime


def bundled(unread: Iterable[Unread]) -> list[Alike]:
    """Return messages by topic and reason, that of the newest first.

    Reasons are one where they differ in numbers and in the payload that they quote.

    Args:
        unread: Newest first.
    """
    found: dict[tuple[str, str], Alike] = {}
    for each in unread:
        key = each.topic, _bare(each)
        known = found.get(key)
        if known is None:
            found[key] = Alike(newest=each, count=1, first_at=each.arrived_at)
        else:
            found[key] = replace(known, count=known.count + 1, first_at=min(known.first_at, each.arrived_at))
    return list(found.values())


def _bare(unread: Unread) -> str:
    """Return a reason without the numbers and the payload in it."""
    words = unread.why.replace(unread.payload.decode("utf-8", "replace"), "…") if unread.payload else unread.why
    return _NUMBER.sub("#", _BYTES.sub("…", words))


def plain_text(said: bytes | str, most: int) -> str:
    """Return some bytes as text that harms no terminal and no page, at most so many characters of it.

    What cannot be printed (control characters, line ends, marks that turn the way of writing) is shown by its number.
    """
    text = said if isinstance(said, str) else said[: 4 * most].decode("utf-8", "backslashreplace")
    shown = "".join(each if each.isprintable() else each.encode("unicode_escape").decode("ascii") for each in text)
    return shown if len(shown) <= most and len(said) <= 4 * most else f"{shown[:most]} ..."
