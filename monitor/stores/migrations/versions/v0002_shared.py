"""What several processes on one farm need: leases on rooms, what has arrived in the store, claims on messages."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables, and the column."""
    op.create_table(
        "lease",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("holder", sa.Text, nullable=False),
        sa.Column("taken_at", sa.BigInteger, nullable=False),
        sa.Column("until", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "arrival",
        sa.Column("id", _BIG, primary_key=True, autoincrement=True),
        sa.Column("room", sa.Text, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger, nullable=False),
        sa.Column("sensors", sa.JSON),
        sa.Column("noted_at", sa.BigInteger, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("arrival_by_room", "arrival", ["room", "id"])
    op.create_index("arrival_by_noting", "arrival", ["noted_at"])
    op.add_column("outbox", sa.Column("claimed_until", sa.BigInteger))
    op.create_index("outbox_by_making", "outbox", ["made_at"])
