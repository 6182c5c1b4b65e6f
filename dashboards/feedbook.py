"""The calendar's secret address and its revisions, kept beside the ledger; the shell round dashboards/feed.py."""

from __future__ import annotations

import hmac
import threading
from datetime import datetime
from typing import TYPE_CHECKING

from dashboards.feed import (
    FeedEntry,
    Revisions,
    feed_entries,
    keep_revisions,
    read_revisions,
    revised,
    to_icalendar,
)

if TYPE_CHECKING:
    from alerts.findings import Tick
    from alerts.outbox_sql import SqlOutbox
    from monitor.doors import Doors
    from monitor.farm import Farm
    from monitor.ledger import Entry

ADDRESS_STATE = "calendar address"
REVISIONS_STATE = "calendar revisions"


class FeedBook:
    """What the calendar needs to remember."""

    def __init__(self, outbox: SqlOutbox, doors: Doors) -> None:
        """Take where small facts are kept, and what makes secrets."""
        self._outbox, self._doors = outbox, doors
        self._lock = threading.Lock()

    def _number(self) -> int:
        """Return how often the address was renewed."""
        return int(self._outbox.state(ADDRESS_STATE) or 0)

    def secret(self) -> str:
        """Return the letters in the address that only its owner knows."""
        return self._doors.secret(f"calendar {self._number()}")

    def is_secret(self, said: str) -> bool:
        """Tell whether somebody knows the present address."""
        return hmac.compare_digest(said.encode(), self.secret().encode())

    def renew(self, now: datetime) -> None:
        """Give the calendar a new address; the old one shows nothing any more."""
        self._outbox.put([], state={ADDRESS_STATE: self._number() + 1}, now=now)

    def path(self) -> str:
        """Return the path of the calendar's file."""
        return f"/calendar/{self.secret()}.ics"

    def look(self, tick: Tick, entries: tuple[Entry, ...]) -> tuple[tuple[FeedEntry, ...], Revisions]:
        """Return the entries of a moment with their revisions, which are kept.

        Args:
            tick: The moment.
            entries: The whole ledger.
        """
        began = entries[0].recorded_at if entries else None
        found = feed_entries(tick, ledger_began=began, url=tick.farm.pages.url)
        with self._lock:
            kept = self._outbox.state(REVISIONS_STATE)
            revisions = revised(read_revisions(kept), found, tick.now)
            if keep_revisions(revisions) != kept:
                self._outbox.put([], state={REVISIONS_STATE: keep_revisions(revisions)}, now=tick.now)
        return found, revisions

    def file(self, farm: Farm, tick: Tick, entries: tuple[Entry, ...]) -> bytes:
        """Return the calendar's file of a moment."""
        found, revisions = self.look(tick, entries)
        return to_icalendar(farm, found, revisions)


def pages_address(farm: Farm, port: int | None = None) -> tuple[str, bool]:
    """Return (the address of the pages, whether another machine can reach it)."""
    pages = farm.pages
    if pages.url:
        return pages.url.rstrip("/"), True
    from ipaddress import ip_address

    scheme = "https" if pages.cert_file else "http"
    address = ip_address(pages.address)
    host = f"[{address}]" if address.version == 6 else str(address)
    shown = "127.0.0.1" if address.is_unspecified else host
    number = port or pages.port
    at_port = f":{number}" if number else ""  # a free one is taken at each start: not known here
    is_fixed = bool(pages.port) and not (address.is_loopback or address.is_unspecified)
    return f"{scheme}://{shown}{at_port}", is_fixed
