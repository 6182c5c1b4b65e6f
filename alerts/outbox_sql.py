"""The outbox in the ledger database: a message is written down before its channel is called, and marked after.

So a message is never lost over a restart; one that was handed over in the very moment of a crash may go out
a second time (at least once), which no key could prevent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, Row, Table, func, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from alerts.nudges import Message
from alerts.outbox import OutboxRow
from monitor.readings import from_ms, to_ms
from monitor.stores.engine import store_errors, writing
from monitor.stores.schema import OUTBOX, SERVICE_STATE


def _insert(engine: Engine, table: Table) -> Any:
    """Return the dialect's insert, which knows ON CONFLICT."""
    return (postgresql if engine.dialect.name == "postgresql" else sqlite).insert(table)


class SqlOutbox:
    """Messages to people, and small facts about the service, in the ledger database."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema."""
        self._engine = engine

    def put(self, messages: Iterable[Message], *, state: Mapping[str, Any], now: datetime) -> int:
        """Write messages down, each key once for ever, and facts beside them; all or nothing.

        Returns:
            How many of them were new.
        """
        new = 0
        with writing(self._engine, "writing the outbox") as connection:
            for message in messages:
                statement = _insert(self._engine, OUTBOX).values(_values(message)).on_conflict_do_nothing()
                new += len(connection.execute(statement.returning(OUTBOX.c.key)).all())
            for name, value in state.items():
                values = {"name": name, "value": value, "changed_at": to_ms(now)}
                statement = _insert(self._engine, SERVICE_STATE).values(values)
                connection.execute(statement.on_conflict_do_update(index_elements=["name"], set_=values))
        return new

    def state(self, name: str) -> Any:
        """Return a fact about the service, or None where it was never written."""
        with store_errors("reading the service's state"), self._engine.connect() as connection:
            return connection.execute(select(SERVICE_STATE.c.value).where(SERVICE_STATE.c.name == name)).scalar()

    def told(self) -> set[str]:
        """Return the keys of all task stages that any message tells."""
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            payloads = connection.execute(select(OUTBOX.c.payload)).scalars().all()
        return {stage for payload in payloads for stage in payload["stages"]}

    def waiting(self, now: datetime) -> tuple[OutboxRow, ...]:
        """Return the messages that may go out now, oldest first."""
        open_ = (OUTBOX.c.sent_at.is_(None)) & (OUTBOX.c.given_up_at.is_(None))
        query = select(OUTBOX).where(open_ & (OUTBOX.c.next_try_at <= to_ms(now)))
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            rows = connection.execute(query.order_by(OUTBOX.c.due_at, OUTBOX.c.made_at, OUTBOX.c.key)).all()
        return tuple(_row(row) for row in rows)

    def next_at(self) -> datetime | None:
        """Return when the next message is to go out or be tried again; None: none waits."""
        query = select(func.min(OUTBOX.c.next_try_at)).where(OUTBOX.c.sent_at.is_(None), OUTBOX.c.given_up_at.is_(None))
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            at_ms = connection.execute(query).scalar()
        return None if at_ms is None else from_ms(at_ms)

    def mark_sent(self, key: str, at: datetime) -> None:
        """Note that a channel took a message."""
        with writing(self._engine, "marking a message as sent") as connection:
            connection.execute(
                update(OUTBOX)
                .where(OUTBOX.c.key == key)
                .values(sent_at=to_ms(at), attempts=OUTBOX.c.attempts + 1, last_error=None)
            )

    def mark_failed(self, key: str, error: str, next_try_at: datetime | None, at: datetime) -> None:
        """Note that a channel failed, and when it is tried again; None gives the message up."""
        values: dict[str, Any] = {"attempts": OUTBOX.c.attempts + 1, "last_error": error}
        values["given_up_at" if next_try_at is None else "next_try_at"] = to_ms(next_try_at or at)
        with writing(self._engine, "marking a message as failed") as connection:
            connection.execute(update(OUTBOX).where(OUTBOX.c.key == key).values(values))

    def rows(self, since: datetime | None = None) -> tuple[OutboxRow, ...]:
        """Return the messages made since an instant (None: all), in the order in which they fell due."""
        query = select(OUTBOX).order_by(OUTBOX.c.due_at, OUTBOX.c.made_at, OUTBOX.c.key)
        if since is not None:
            query = query.where(OUTBOX.c.made_at >= to_ms(since))
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            return tuple(_row(row) for row in connection.execute(query).all())

    def troubled(self) -> tuple[OutboxRow, ...]:
        """Return the messages that failed and wait, or were given up, newest first."""
        failed = or_(OUTBOX.c.given_up_at.is_not(None), (OUTBOX.c.sent_at.is_(None)) & (OUTBOX.c.attempts > 0))
        query = select(OUTBOX).where(failed).order_by(OUTBOX.c.made_at.desc()).limit(50)
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            return tuple(_row(row) for row in connection.execute(query).all())


def _values(message: Message) -> dict[str, Any]:
    """Return a message as its table has it."""
    return {
        "key": message.key,
        "kind": message.kind,
        "person": message.person,
        "channel": message.channel,
        "title": message.title,
        "text": message.text,
        "payload": {"stages": list(message.stages), "tasks": list(message.tasks)},
        "made_at": to_ms(message.made_at),
        "due_at": to_ms(message.due_at),
        "was_late": message.was_late,
        "attempts": 0,
        "next_try_at": to_ms(message.due_at),
    }


def _row(row: Row[Any]) -> OutboxRow:
    """Return a row of the table as a value."""
    values = row._mapping
    return OutboxRow(
        key=values["key"],
        kind=values["kind"],
        person=values["person"],
        channel=values["channel"],
        title=values["title"],
        text=values["text"],
        stages=tuple(values["payload"]["stages"]),
        tasks=tuple(values["payload"]["tasks"]),
        made_at=from_ms(values["made_at"]),
        due_at=from_ms(values["due_at"]),
        was_late=values["was_late"],
        sent_at=None if values["sent_at"] is None else from_ms(values["sent_at"]),
        attempts=values["attempts"],
        next_try_at=from_ms(values["next_try_at"]),
        last_error=values["last_error"],
        given_up_at=None if values["given_up_at"] is None else from_ms(values["given_up_at"]),
    )
