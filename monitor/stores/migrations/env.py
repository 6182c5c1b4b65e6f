"""How alembic reaches the database: over the connection that open_ledger hands it."""

from __future__ import annotations

from alembic import context

from monitor.stores.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
    transaction_per_migration=True,
)
with context.begin_transaction():
    context.run_migrations()
