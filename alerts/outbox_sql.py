"""The outbox in the ledger database: a message is written down before its channel is called, and marked after.

So a message is never lost over a restart; one that was handed over in the very moment of a crash may go out
a second time (at least once), which no key could prevent. Several processes may send from one outbox: who wants to
send a message claims it first, and one alone gets it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Engine, Row, case, func, or_, select, update

from alerts.nudges import Message
from alerts.outbox import OutboxRow
from monitor.clock import Clock
from monitor.errors import ToldMeanwhileError
from monitor.readings import from_ms, to_ms
from monitor.stores.engine import database_ms, insert_into, store_errors, writing
from monitor.stores.schema import OUTBOX, SERVICE_STATE
from monitor.stores.states import ServiceStates, set_facts

CLAIMED_FOR = timedelta(minutes=2)
"""Who claimed a message has so long to hand it over; then another may. Ours."""
Guard = Callable[[Connection], None]
"""Called in a transaction that holds the write lock, before anything is written; what it raises undoes all."""


class SqlOutbox:
    """Messages to people, and small facts about the service, in the ledger database."""

    def __init__(self, engine: Engine, *, guard: Guard | None = None, claims_by: Clock | None = None) -> None:
        """Take a database that stands at the present schema.

        Args:
            engine: The database.
            guard: Asked before messages or facts are written; what it raises is passed on, and nothing is written.
            claims_by: The clock of claims; None: a server's own, and for a file the instant that is handed in.
        """
        self._engine, self._guard, self._claims_by = engine, guard, claims_by

    def put(
        self,
        messages: Iterable[Message],
        *,
        state: Mapping[str, Any],
        now: datetime,
        beside: Guard | None = None,
        untold_since: datetime | None = None,
    ) -> int:
        """Write messages down, each key once for ever, and facts beside them; all or nothing.

        Args:
            messages: What is to be told.
            state: Facts by name.
            now: The instant.
            beside: Writes more in the same transaction.
            untold_since: Refuse messages of whose stages a message made since then tells one; None: take all.

        Returns:
            How many of them were new.

        Raises:
            LeaseLostError: The guard refuses; nothing was written.
            ToldMeanwhileError: Another process told a stage first; nothing was written.
        """
        new, listed = 0, list(messages)
        with writing(self._engine, "writing the outbox") as connection:
            if self._guard is not None:
                self._guard(connection)
            if untold_since is not None:
                _refuse_told(connection, listed, untold_since)
            for message in listed:
                statement = insert_into(connection, OUTBOX).values(_values(message)).on_conflict_do_nothing()
                new += len(connection.execute(statement.returning(OUTBOX.c.key)).all())
            set_facts(connection, state, now=now)
            if beside is not None:
                beside(connection)
        return new

    def change(
        self, names: Collection[str], change: Callable[[Mapping[str, Any]], Mapping[str, Any]], now: datetime
    ) -> None:
        """Change facts by what they are, with nobody writing in between.

        Args:
            names: Which facts are looked at.
            change: Shown those of them that are there, by name; returns those that are to be written.
            now: The instant.

        Raises:
            LeaseLostError: The guard refuses; nothing was written.
        """
        with writing(self._engine, "changing the service's state") as connection:
            if self._guard is not None:
                self._guard(connection)
            rows = connection.execute(select(SERVICE_STATE).where(SERVICE_STATE.c.name.in_(names))).all()
            set_facts(connection, change({row.name: row.value for row in rows}), now=now)

    def state(self, name: str) -> Any:
        """Return a fact about the service, or None where it was never written."""
        return ServiceStates(self._engine).of(name)

    def told(self, since: datetime | None = None) -> set[str]:
        """Return the keys of all task stages that any message tells; ``since``: that one made since then tells."""
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            return _told(connection, since)

    def waiting(self, now: datetime) -> tuple[OutboxRow, ...]:
        """Return the messages that may go out now and that nobody has claimed, oldest first."""
        query = select(OUTBOX).where(_OPEN & (OUTBOX.c.next_try_at <= to_ms(now)))
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            query = query.where(_unclaimed(self._claim_ms(connection, now)))
            rows = connection.execute(query.order_by(OUTBOX.c.due_at, OUTBOX.c.made_at, OUTBOX.c.key)).all()
        return tuple(_row(row) for row in rows)

    def _claim_ms(self, connection: Connection, now: datetime) -> int:
        """Return the instant by the clock of claims."""
        if self._claims_by is not None:
            return to_ms(self._claims_by())
        return database_ms(connection) if self._engine.dialect.name == "postgresql" else to_ms(now)

    def claim(self, key: str, now: datetime) -> bool:
        """Claim a waiting message, so that no other process sends it meanwhile; tell whether it may be sent."""
        with writing(self._engine, "claiming a message") as connection:
            at_ms = self._claim_ms(connection, now)
            statement = update(OUTBOX).where((OUTBOX.c.key == key) & _OPEN & _unclaimed(at_ms))
            until_ms = at_ms + CLAIMED_FOR // timedelta(milliseconds=1)
            return bool(connection.execute(statement.values(claimed_until=until_ms)).rowcount)

    def next_at(self) -> datetime | None:
        """Return when the next message is to go out or be tried again, or a claim runs out; None: none waits."""
        claimed = OUTBOX.c.claimed_until > OUTBOX.c.next_try_at
        at = case((claimed, OUTBOX.c.claimed_until), else_=OUTBOX.c.next_try_at)
        query = select(func.min(at)).where(_OPEN)
        with store_errors("reading the outbox"), self._engine.connect() as connection:
            at_ms = connection.execute(query).scalar()
        return None if at_ms is None else from_ms(at_ms)

    def mark_sent(self, key: str, at: datetime) -> None:
        """Note that a channel took a message."""
        with writing(self._engine, "marking a message as sent") as connection:
            connection.execute(
                update(OUTBOX)
                .where(OUTBOX.c.key == key)
                .values(sent_at=to_ms(at), attempts=OUTBOX.c.attempts + 1, last_error=None, claimed_until=None)
            )

    def mark_failed(self, key: str, error: str, next_try_at: datetime | None, at: datetime) -> None:
        """Note that a channel failed, and when it is tried again; None gives the message up."""
        values: dict[str, Any] = {"attempts": OUTBOX.c.attempts + 1, "last_error": error, "claimed_until": None}
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


_OPEN: ColumnElement[bool] = OUTBOX.c.sent_at.is_(None) & OUTBOX.c.given_up_at.is_(None)


def _unclaimed(at_ms: int) -> ColumnElement[bool]:
    """Return the condition that nobody has a message in hand at an instant."""
    return or_(OUTBOX.c.claimed_until.is_(None), OUTBOX.c.claimed_until <= at_ms)


def _told(connection: Connection, since: datetime | None) -> set[str]:
    """Return the stages that messages tell, made since an instant; None: all."""
    query = select(OUTBOX.c.payload)
    if since is not None:
        query = query.where(OUTBOX.c.made_at >= to_ms(since))
    return {stage for payload in connection.execute(query).scalars() for stage in payload["stages"]}


def _refuse_told(connection: Connection, messages: Iterable[Message], since: datetime) -> None:
    """Raise where a message made since an instant tells a stage of these."""
    stages = {stage for message in messages for stage in message.stages}
    again = stages & _told(connection, since) if stages else set()
    if again:
        raise ToldMeanwhileError(f"another process has told {sorted(again)[0]} meanwhile; nothing was written")


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
