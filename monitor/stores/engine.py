"""How a ledger database is opened: its settings, its version, and the steps up to the present schema."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from monitor.errors import NewerSchemaError, StoreError, StoreUnavailableError
from monitor.stores.schema import HEAD, KNOWN

LEDGER_FILE = "ledger.db"
_BUSY_MS = 10_000


def ledger_url(folder: Path) -> str:
    """Return the SQLAlchemy address of a folder's ledger file."""
    return f"sqlite:///{folder / LEDGER_FILE}"


@contextmanager
def store_errors(what: str) -> Iterator[None]:
    """Turn the library's errors into ours, with what was being done."""
    try:
        yield
    except DBAPIError as exc:
        locked = "locked" in str(exc.orig) or exc.connection_invalidated
        kind = StoreUnavailableError if locked else StoreError
        raise kind(
            f"{what}: the ledger database says: {exc.orig}; see that its disk is not full, then try again"
        ) from exc
    except SQLAlchemyError as exc:
        raise StoreError(f"{what}: {exc}") from exc


def _settings(connection: Any, _record: Any) -> None:
    """Set up one SQLite connection: write-ahead log, on disk at every commit."""
    if isinstance(connection, sqlite3.Connection):
        connection.isolation_level = None  # transactions are begun by _begin below, not by the driver
        connection.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")


def _begin(connection: Connection) -> None:
    """Begin a transaction; one that is to write takes the write lock first, so that what it checks stays true."""
    if connection.dialect.name == "sqlite":
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def writing(engine: Engine, what: str) -> Iterator[Connection]:
    """Give a connection in a transaction that holds the write lock; all or nothing of it is kept."""
    with store_errors(what), engine.execution_options(writes=True).begin() as connection:
        yield connection


def open_engine(url: str) -> Engine:
    """Return an engine on a database that stands at the present schema.

    Args:
        url: SQLAlchemy address.

    Raises:
        NewerSchemaError: A newer version of Traywarden wrote it.
        StoreError: It cannot be opened, or is no ledger database.
    """
    engine = create_engine(url, pool_pre_ping=not url.startswith("sqlite"))
    event.listen(engine, "connect", _settings)
    event.listen(engine, "begin", _begin)
    try:
        with store_errors(f"opening {engine.url.render_as_string()}"):
            _bring_up(engine)
    except BaseException:
        engine.dispose()
        raise
    return engine


def schema_version(connection: Connection) -> str | None:
    """Return the version that a database says it has; None where it is new."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _bring_up(engine: Engine) -> None:
    """Run the migrations that are missing; alembic is only imported where there are any."""
    with engine.connect() as connection:
        version = schema_version(connection)
    if version == HEAD:
        return
    if version is not None and version not in KNOWN:
        raise NewerSchemaError(
            f"{engine.url.render_as_string()} has schema {version}, this Traywarden knows up to {HEAD}: a newer "
            "version wrote it. Install that version again, or restore a backup made before it"
        )
    from alembic import command
    from alembic.config import Config

    with writing(engine, "bringing the ledger's schema up to date") as connection:
        if schema_version(connection) == HEAD:  # another process was faster
            return
        config = Config()
        config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
        config.set_main_option("path_separator", "os")
        config.attributes["connection"] = connection
        command.upgrade(config, HEAD)
