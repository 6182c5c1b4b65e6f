"""Small facts that the processes of a farm write down about themselves, in the ledger database."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, delete, select
from sqlalchemy.dialects import postgresql, sqlite

from monitor.readings import to_ms
from monitor.stores.engine import store_errors, writing
from monitor.stores.schema import SERVICE_STATE

COLLECTOR_STATE, WATCHER_STATE = "collector ", "watcher "
"""A process' own state is named by what it is and its name."""


class ServiceStates:
    """Facts by name."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema."""
        self._engine = engine

    def put(self, name: str, value: Any, *, now: datetime) -> None:
        """Write a fact down, in place of the earlier one."""
        insert = (postgresql if self._engine.dialect.name == "postgresql" else sqlite).insert
        values = {"name": name, "value": value, "changed_at": to_ms(now)}
        statement = insert(SERVICE_STATE).values(values)
        with writing(self._engine, "writing the service's state") as connection:
            connection.execute(statement.on_conflict_do_update(index_elements=["name"], set_=values))

    def of(self, name: str) -> Any:
        """Return a fact, or None where it was never written."""
        with store_errors("reading the service's state"), self._engine.connect() as connection:
            return connection.execute(select(SERVICE_STATE.c.value).where(SERVICE_STATE.c.name == name)).scalar()

    def beginning(self, prefix: str) -> Mapping[str, Any]:
        """Return the facts whose names begin so, by the rest of their names, sorted."""
        query = select(SERVICE_STATE.c.name, SERVICE_STATE.c.value).order_by(SERVICE_STATE.c.name)
        with store_errors("reading the service's state"), self._engine.connect() as connection:
            rows = connection.execute(query.where(SERVICE_STATE.c.name.startswith(prefix, autoescape=True))).all()
        return {name.removeprefix(prefix): value for name, value in rows}

    def forget(self, name: str) -> None:
        """Let a fact go; nothing happens where there is none."""
        with writing(self._engine, "writing the service's state") as connection:
            connection.execute(delete(SERVICE_STATE).where(SERVICE_STATE.c.name == name))
