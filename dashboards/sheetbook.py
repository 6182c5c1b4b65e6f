"""The wall sheets that were printed last, kept so that what is ticked on one can be entered."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from dashboards.sheet import WallSheet, line_facts

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
