"""Arrivals in the ledger database: who delivers readings to the shared store writes them down, who watches reads on.

Readings that come late are thereby seen as surely as those of now: the order is that of coming.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from sqlalchemy import Engine, delete, func, insert, select

from monitor.arrivals import Arrival
from monitor.readings import to_ms
from monitor.stores.engine import store_errors, writing
from monitor.stores.schema import ARRIVAL

KEPT = timedelta(hours=12)
"""Who was away for longer reads its readings back from the store anyway."""


class SqlArrivals:
    """The table of arrivals."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema."""
        self._engine = engine

    def note(self, arrivals: Sequence[Arrival], *, now: datetime) -> None:
        """Write arrivals down, all or none, and let go of old ones now and then.

        Raises:
            StoreError: Nothing was written.
        """
        if not arrivals:
            return
        with writing(self._engine, "noting what has arrived") as connection:
            rows = [
                {
                    "room": each.room,
                    "from_ms": each.from_ms,
                    "to_ms": each.to_ms,
                    "sensors": None if each.sensors is None else list(each.sensors),
                    "noted_at": to_ms(now),
                }
                for each in arrivals
            ]
            connection.execute(insert(ARRIVAL), rows)

    def prune(self, now: datetime) -> None:
        """Let go of what was noted long ago."""
        with writing(self._engine, "letting old arrivals go") as connection:
            connection.execute(delete(ARRIVAL).where(ARRIVAL.c.noted_at < to_ms(now - KEPT)))

    def newest(self) -> int:
        """Return the number of the newest arrival, 0 where there is none."""
        with store_errors("reading what has arrived"), self._engine.connect() as connection:
            return int(connection.execute(select(func.max(ARRIVAL.c.id))).scalar() or 0)

    def after(self, number: int, rooms: Collection[str]) -> tuple[Arrival, ...]:
        """Return the arrivals of some rooms behind a number, in the order of coming."""
        query = select(ARRIVAL).where(ARRIVAL.c.id > number, ARRIVAL.c.room.in_(sorted(rooms))).order_by(ARRIVAL.c.id)
        with store_errors("reading what has arrived"), self._engine.connect() as connection:
            rows = connection.execute(query).mappings().all()
        return tuple(
            Arrival(
                room=row["room"],
                from_ms=int(row["from_ms"]),
                to_ms=int(row["to_ms"]),
                sensors=None if row["sensors"] is None else tuple(row["sensors"]),
                id=int(row["id"]),
            )
            for row in rows
        )
