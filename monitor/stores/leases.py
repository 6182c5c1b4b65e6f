"""Leases: which process watches which room, in the ledger database, so that two never both do.

A lease runs out by itself, so a dead process's rooms come free; a living one renews it. On PostgreSQL the database's
clock counts, whatever the machines' own clocks show. Taking and checking a lease both hold the ledger's write lock:
whoever checks its lease in the transaction that writes a message is strictly before or after whoever takes it over.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row, insert, select, update

from monitor.clock import Clock
from monitor.errors import LeaseLostError
from monitor.readings import from_ms, to_ms
from monitor.stores.engine import database_ms, store_errors, writing
from monitor.stores.schema import LEASE

LASTS = timedelta(seconds=30)
"""How long a lease holds that is not renewed: a dead process's room is free within this. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """One name in this process's care.

    Attributes:
        name: The room; empty: what belongs to no room.
        term: Told apart from any other time at which the name was taken. [ms since 1970 UTC, the lease's clock]
        free_since: Since when nobody had had it when it was taken; None: nobody ever had.
        taken_at: When it was taken, by the lease's clock.
    """

    name: str
    term: int
    free_since: datetime | None
    taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A lease as anybody sees it.

    Attributes:
        name: The room; empty: what belongs to no room.
        holder: Who has it, or had it last.
        until: Until when it holds, or held.
        is_held: It holds now, by the lease's clock.
    """

    name: str
    holder: str
    until: datetime
    is_held: bool


class Leases:
    """The leases that one process holds, or waits for."""

    def __init__(
        self,
        engine: Engine,
        holder: str,
        *,
        lasts: timedelta = LASTS,
        clock: Clock | None = None,
        running_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take a database at the present schema, and a name that no other process has.

        Args:
            engine: The ledger's.
            holder: This process; one that bears another's name would share its leases.
            lasts: How long a lease holds that is not renewed.
            clock: The clock of leases, for tests; None: the database's own.
            running_s: A clock that nobody sets, to know how old a lease is while the database is away. [s]
        """
        self._engine, self.holder, self.lasts = engine, holder, lasts
        self._clock, self._running_s = clock, running_s
        self._lock, self._taking = threading.Lock(), threading.Lock()
        self._held: dict[str, tuple[Lease, float]] = {}

    def take(self, names: Iterable[str]) -> Mapping[str, Lease]:
        """Take what is free of some names, renew what is held already, and return all that is held then.

        Raises:
            StoreUnavailableError: The database does not answer; what was held runs out by itself.
        """
        with self._taking:
            return self._take(names)

    def _take(self, names: Iterable[str]) -> Mapping[str, Lease]:
        """Take and renew, one call at a time."""
        asked = self._running_s()  # before the database is asked: so its lease ends after ours does
        wanted = sorted(set(names))
        taken: dict[str, Lease] = {}
        with writing(self._engine, "taking a lease") as connection:
            now_ms = self._now_ms(connection)
            rows = {row.name: row for row in connection.execute(select(LEASE).where(LEASE.c.name.in_(wanted)))}
            for name in wanted:
                lease = self._take_one(connection, name, rows.get(name), now_ms)
                if lease is not None:
                    taken[name] = lease
        with self._lock:
            self._held = {name: (lease, asked + self.lasts.total_seconds()) for name, lease in taken.items()}
        return taken

    def _take_one(self, connection: Connection, name: str, row: Row[Any] | None, now_ms: int) -> Lease | None:
        """Take or renew one lease; None: another process has it."""
        until_ms = now_ms + self.lasts // timedelta(milliseconds=1)
        if row is not None and row.until > now_ms and row.holder != self.holder:
            if row.until > until_ms:  # the clock was set back: a dead one's room must not wait until it is late again
                connection.execute(update(LEASE).where(LEASE.c.name == name).values(until=until_ms))
            return None
        with self._lock:
            known = self._held.get(name)
        renewed = row is not None and row.until > now_ms and known is not None and known[0].term == row.taken_at
        if renewed and known is not None:
            connection.execute(update(LEASE).where(LEASE.c.name == name).values(until=until_ms))
            return known[0]
        term = now_ms if row is None else max(now_ms, row.taken_at + 1)
        values = {"name": name, "holder": self.holder, "taken_at": term, "until": until_ms}
        if row is None:
            connection.execute(insert(LEASE).values(values))
        else:
            connection.execute(update(LEASE).where(LEASE.c.name == name).values(values))
        free = None if row is None else from_ms(min(row.until, now_ms))
        return Lease(name=name, term=term, free_since=free, taken_at=from_ms(now_ms))

    def held(self) -> Mapping[str, Lease]:
        """Return what is held, by a clock of this machine that nobody sets: without asking the database."""
        now_s = self._running_s()
        with self._lock:
            return {name: lease for name, (lease, until_s) in self._held.items() if until_s > now_s}

    def check(self, connection: Connection, leases: Iterable[Lease]) -> None:
        """Refuse a transaction, which holds the write lock, unless some leases are all held still.

        Raises:
            LeaseLostError: One has run out, or was taken since, be it by this process.
        """
        wanted = {lease.name: lease for lease in leases}
        now_ms = self._now_ms(connection)
        rows = connection.execute(select(LEASE).where(LEASE.c.name.in_(list(wanted))))
        good = {
            row.name
            for row in rows
            if row.holder == self.holder and row.until > now_ms and row.taken_at == wanted[row.name].term
        }
        lost = sorted(set(wanted) - good)
        if lost:
            raise LeaseLostError(lost)

    def release(self) -> None:
        """Let go of everything, so that another may take it at once."""
        with self._lock:
            self._held = {}
        with writing(self._engine, "letting go of leases") as connection:
            now_ms = self._now_ms(connection)
            mine = (LEASE.c.holder == self.holder) & (LEASE.c.until > now_ms)
            connection.execute(update(LEASE).where(mine).values(until=now_ms))

    def _now_ms(self, connection: Connection) -> int:
        """Return what time it is by the clock of leases."""
        return database_ms(connection) if self._clock is None else to_ms(self._clock())


def all_leases(engine: Engine, clock: Clock | None = None) -> tuple[Held, ...]:
    """Return every lease that was ever taken, by name; ``clock``: for tests; None: the database's own."""
    with store_errors("reading leases"), engine.connect() as connection:
        now_ms = database_ms(connection) if clock is None else to_ms(clock())
        rows = connection.execute(select(LEASE).order_by(LEASE.c.name)).all()
    return tuple(
        Held(name=row.name, holder=row.holder, until=from_ms(row.until), is_held=row.until > now_ms) for row in rows
    )
