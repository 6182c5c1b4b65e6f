"""The first schema: entries that are only ever added to, outbox, alarms, the service's own state."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_REFUSED = "entries are only ever added; a correction is a new entry"
_BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables, and the triggers that refuse any change to an entry."""
    op.create_table(
        "entry",
        sa.Column("id", _BIG, primary_key=True, autoincrement=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.BigInteger, nullable=False),
        sa.Column("recorded_at", sa.BigInteger, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("batch", sa.Text),
        sa.Column("trays", sa.Integer),
        sa.Column("spot", sa.Text),
        sa.Column("stack", sa.Text),
        sa.Column("corrects", sa.BigInteger),
        sa.Column("data", sa.JSON, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("entry_by_batch", "entry", ["batch"])
    op.create_table(
        "outbox",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("channel", sa.Text, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("payload", sa.JSON, nullable=False),
        sa.Column("made_at", sa.BigInteger, nullable=False),
        sa.Column("due_at", sa.BigInteger, nullable=False),
        sa.Column("was_late", sa.Boolean, nullable=False),
        sa.Column("sent_at", sa.BigInteger),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("next_try_at", sa.BigInteger, nullable=False),
        sa.Column("last_error", sa.Text),
        sa.Column("given_up_at", sa.BigInteger),
    )
    op.create_index("outbox_waiting", "outbox", ["sent_at", "given_up_at", "next_try_at"])
    op.create_table(
        "alarm",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("rule", sa.Text, nullable=False),
        sa.Column("spot", sa.Text, nullable=False),
        sa.Column("batch", sa.Text),
        sa.Column("level", sa.Integer, nullable=False),
        sa.Column("first_at", sa.BigInteger, nullable=False),
        sa.Column("last_change_at", sa.BigInteger, nullable=False),
        sa.Column("data", sa.JSON, nullable=False),
    )
    op.create_table(
        "service_state",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("value", sa.JSON, nullable=False),
        sa.Column("changed_at", sa.BigInteger, nullable=False),
    )
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER entry_no_{deed.lower()} BEFORE {deed} ON entry BEGIN "
                f"SELECT RAISE(ABORT, '{_REFUSED}'); END"
            )
    else:
        op.execute(
            "CREATE FUNCTION entry_is_only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER entry_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON entry "
            "EXECUTE FUNCTION entry_is_only_added_to()"
        )
