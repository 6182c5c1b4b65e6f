"""Steps that bring a ledger database of an older version up to the present schema (alembic)."""
