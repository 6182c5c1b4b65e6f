"""The tables of the ledger database, as SQLAlchemy Core knows them; monitor/stores/migrations brings files up to it.

Instants are whole milliseconds since 1970 (UTC).
"""

from __future__ import annotations

from sqlalchemy import JSON, BigInteger, Boolean, Column, Index, Integer, MetaData, Table, Text

METADATA = MetaData()

_BIG = BigInteger().with_variant(Integer, "sqlite")  # SQLite numbers rows by itself under INTEGER only

ENTRY = Table(
    "entry",
    METADATA,
    Column("id", _BIG, primary_key=True, autoincrement=True),
    Column("kind", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("batch", Text),
    Column("trays", Integer),
    Column("spot", Text),
    Column("stack", Text),
    Column("corrects", BigInteger),
    Column("data", JSON, nullable=False),
    Index("entry_by_batch", "batch"),
    sqlite_autoincrement=True,
)

OUTBOX = Table(
    "outbox",
    METADATA,
    Column("key", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("payload", JSON, nullable=False),
    Column("made_at", BigInteger, nullable=False),
    Column("due_at", BigInteger, nullable=False),
    Column("was_late", Boolean, nullable=False),
    Column("sent_at", BigInteger),
    Column("attempts", Integer, nullable=False),
    Column("next_try_at", BigInteger, nullable=False),
    Column("last_error", Text),
    Column("given_up_at", BigInteger),
    Column("claimed_until", BigInteger),
    Index("outbox_waiting", "sent_at", "given_up_at", "next_try_at"),
    Index("outbox_by_making", "made_at"),
)

ALARM = Table(
    "alarm",
    METADATA,
    Column("key", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("rule", Text, nullable=False),
    Column("spot", Text, nullable=False),
    Column("batch", Text),
    Column("level", Integer, nullable=False),
    Column("first_at", BigInteger, nullable=False),
    Column("last_change_at", BigInteger, nullable=False),
    Column("data", JSON, nullable=False),
)

SERVICE_STATE = Table(
    "service_state",
    METADATA,
    Column("name", Text, primary_key=True),
    Column("value", JSON, nullable=False),
    Column("changed_at", BigInteger, nullable=False),
)

LEASE = Table(
    "lease",
    METADATA,
    Column("name", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("taken_at", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
)
"""Who watches which room (the empty name: what belongs to no room), by the database's own clock."""

ARRIVAL = Table(
    "arrival",
    METADATA,
    Column("id", _BIG, primary_key=True, autoincrement=True),
    Column("room", Text, nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("to_ms", BigInteger, nullable=False),
    Column("sensors", JSON),
    Column("noted_at", BigInteger, nullable=False),
    Index("arrival_by_room", "room", "id"),
    Index("arrival_by_noting", "noted_at"),
    sqlite_autoincrement=True,
)
"""Which readings have come to the shared store, in the order in which they came; kept for some hours."""

HEAD = "0002"
"""The newest migration; a database that stands there needs none."""

KNOWN = ("0001", "0002")
"""Every migration that this version has, oldest first."""
