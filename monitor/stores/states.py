"""Small facts that the processes of a farm write down about themselves, in the ledger database."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, delete, select

from monitor.readings import to_ms
from monitor.stores.engine import insert_into, store_errors, writing
from monitor.stores.schema import SERVICE_STATE

COLLECTOR_STATE, WATCHER_STATE = "collector ", "watcher "
"""A process' own state is named by what it is and its name."""


def set_facts(connection: Connection, facts: Mapping[str, Any], *, now: datetime) -> None:
    """Write facts down by name, in place of earlier ones, in a transaction that is on already."""
    for name, value in facts.items():
        values = {"name": name, "value": value, "changed_at": to_ms(now)}
        statement = insert_into(connection, SERVICE_STATE).values(values)
        connection.execute(statement.on_conflict_do_update(index_elements=["name"], set_=values))


class ServiceStates:
    """Facts by name."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema."""
        self._engine = engine

    def put(self, name: str, value: Any, *, now: datetime) -> None:
        """Write a fact down, in place of the earlier one."""
        with writing(self._engine, "writing the service's state") as connection:
            set_facts(connection, {name: value}, now=now)

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
