"""Who stands in for whom, as entries keep it and as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from monitor.covers import StandIn


def cover_data(wanted: StandIn) -> dict[str, Any]:
    """Return a cover as its entry keeps it."""
    return {
        "person": wanted.person,
        "standin": wanted.standin,
        "from": wanted.from_on.isoformat(),
        "to": wanted.to_on.isoformat(),
        "note": wanted.note,
    }


def covers_facts(shown: Iterable[StandIn], today: date) -> dict[str, Any]:
    """Return stand-ins as the documented JSON."""
    rows = [{**cover_data(each), "entry": each.id, "by": each.by, "now": each.is_on(today)} for each in shown]
    return {"schema": "traywarden.covers/1", "covers": rows}
