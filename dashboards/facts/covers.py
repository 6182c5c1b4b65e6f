"""Who stands in for whom, as entries keep it and as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from monitor.covers import StandIn
from monitor.standins import cover_data


def covers_facts(shown: Iterable[StandIn], today: date) -> dict[str, Any]:
    """Return stand-ins as the documented JSON."""
    rows = [{**cover_data(each), "entry": each.id, "by": each.by, "now": each.is_on(today)} for each in shown]
    return {"schema": "traywarden.covers/1", "covers": rows}
