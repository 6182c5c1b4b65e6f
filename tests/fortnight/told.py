"""What was told in the fortnight, in short: when, to whom, and of each task its batch, trays, move and stage."""

from __future__ import annotations

import re
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from alerts.outbox import OutboxRow

_DAY = re.compile(r", day (\d+) \([A-Z][a-z]{2} \d+ [A-Z][a-z]{2}\)")


def short(rows: Iterable[OutboxRow], zone: ZoneInfo) -> list[str]:
    """Return all messages as lines; the same message to two people is one."""
    found: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for row in rows:
        when = (row.sent_at or row.made_at).astimezone(zone).strftime("%a %d %H:%M")
        key = (when, row.title, tuple(_lines(row.text, is_whole=row.kind != "round" and row.kind != "drain")))
        found.setdefault(key, []).append(row.person)
    lines = []
    for (when, title, said), people in found.items():
        lines += [f"{when}  {', '.join(dict.fromkeys(people))}: {title}", *(f"    {line}" for line in said)]
    return lines


def _lines(text: str, *, is_whole: bool) -> list[str]:
    """Return the lines of a message: tasks shortened, news and holds whole."""
    if is_whole:
        return [line.strip() for line in text.splitlines()[1:] if line.strip()]
    rows = text.split("\nTake care")[0].split("\nIf this is new to you")[0].splitlines()
    kept = [_task(line) for line in rows if line.startswith(" * ")]
    kept += [line.strip() for line in rows if line.startswith((" ! ", "LATE", "You stand in", "Where things are"))]
    before = ["", *rows]
    return kept + [line for last, line in zip(before, rows, strict=False) if not last and ". " in line]


def _task(line: str) -> str:
    """Return the line of one task without the words of its move."""
    head = line.partition(". ")[0]
    stage = "".join(
        f" {words}"
        for words in ("You said not yet; asked again.", "Last day.")
        if f". {words}" in line[: len(head) + 60]
    )
    past = re.search(r"PAST ITS LATEST DAY \([^)]*\)", line)
    return _DAY.sub(r", day \1", head.removeprefix(" * ")) + "." + stage + (f" {past[0]}" if past else "")
