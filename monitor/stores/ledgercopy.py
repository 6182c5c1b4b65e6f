"""One ledger database copied into another, whichever of SQLite and PostgreSQL they are."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, Table, func, insert, select, text

from monitor.errors import StoreError
from monitor.stores.engine import ledger_file_url, open_engine, store_errors, writing
from monitor.stores.schema import ARRIVAL, ENTRY, LEASE, METADATA

_ROWS = 500
_OF_PROCESSES = (ARRIVAL, LEASE)
"""What belongs to the processes that run on a database, and means nothing in another."""


def copy_ledger_rows(source: Engine, target: Engine) -> int:
    """Copy a ledger database into one that has no entries yet, all or nothing; leases and arrivals stay behind.

    Args:
        source: A database at the present schema; read as one consistent state.
        target: A database at the present schema.

    Returns:
        How many entries were copied.

    Raises:
        StoreError: The target has entries already, or either fails; nothing was written.
    """
    isolation = "SERIALIZABLE" if source.dialect.name == "sqlite" else "REPEATABLE READ"
    with (
        store_errors("reading the ledger that is copied"),
        source.connect().execution_options(isolation_level=isolation) as reader,
        writing(target, "writing the copy of the ledger") as writer,
    ):
        if _count(writer, ENTRY):
            raise StoreError(
                f"{target.url.render_as_string()} holds {_count(writer, ENTRY)} entries already, and a ledger is only "
                "copied into an empty database; name a new one"
            )
        for table in METADATA.sorted_tables:
            if table not in _OF_PROCESSES:
                _copy_table(reader, writer, table)
        if target.dialect.name == "postgresql":
            _number_on(writer)
        return _count(writer, ENTRY)


def write_ledger_file(source: Engine, path: Path) -> None:
    """Write a ledger database as a SQLite file, as backups hold it.

    Raises:
        StoreError: It cannot be read, or the file cannot be written.
    """
    target = open_engine(ledger_file_url(path))
    try:
        copy_ledger_rows(source, target)
    finally:
        target.dispose()


def load_ledger_file(path: Path, target: Engine) -> None:
    """Load a SQLite ledger file into a database that has no entries yet.

    Raises:
        StoreError: The target has entries already, or either fails; nothing was written.
    """
    source = open_engine(ledger_file_url(path))
    try:
        copy_ledger_rows(source, target)
    finally:
        source.dispose()


def _copy_table(reader: Connection, writer: Connection, table: Table) -> None:
    """Copy one table, a slice at a time; facts that a fresh target wrote about itself give way."""
    if table is not ENTRY:
        writer.execute(table.delete())
    key = next(iter(table.primary_key))
    for slice_ in reader.execute(select(table).order_by(key)).mappings().partitions(_ROWS):
        writer.execute(insert(table), [dict(row) for row in slice_])
    found, copied = _count(reader, table), _count(writer, table)
    if found != copied:
        raise StoreError(f"{copied} of {found} rows of {table.name} arrived; nothing was kept, try again")


def _count(connection: Connection, table: Table) -> int:
    """Return a table's number of rows."""
    return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def _number_on(writer: Connection) -> None:
    """Have PostgreSQL number the next entry after the newest that was copied."""
    writer.execute(
        text(
            "SELECT setval(pg_get_serial_sequence('entry', 'id'), (SELECT coalesce(max(id), 0) + 1 FROM entry), false)"
        )
    )
