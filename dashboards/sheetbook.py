"""The wall sheets that were printed last, kept so that what is ticked on one can be entered."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dashboards.sheet import WallSheet
from dashboards.sheetlines import line_facts

if TYPE_CHECKING:
    from alerts.outbox_sql import SqlOutbox

SHEETS_STATE = "wall sheets"
_KEPT = 12


def keep_sheet(outbox: SqlOutbox, made: WallSheet, now: datetime) -> dict[str, Any]:
    """Keep the lines of a sheet beside the last ones, and return what is kept of it."""
    kept = [row for row in outbox.state(SHEETS_STATE) or [] if row["key"] != made.key]
    row = {"key": made.key, "span": made.span, "lines": [line_facts(line) for line in made.lines]}
    outbox.put([], state={SHEETS_STATE: [*kept, row][-_KEPT:]}, now=now)
    return row


def keep_numbers(outbox: SqlOutbox, key: str, numbers: Mapping[str, str], now: datetime) -> None:
    """Remember with a sheet which batches its sowings became."""
    kept = [{**row, "numbers": dict(numbers)} if row["key"] == key else row for row in outbox.state(SHEETS_STATE) or []]
    outbox.put([], state={SHEETS_STATE: kept}, now=now)
