"""How a ledger database is opened: its settings, its version, and the steps up to the present schema."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, Table, create_engine, event, inspect, make_url, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError, OperationalError, SQLAlchemyError

from monitor.errors import NewerSchemaError, StoreError, StoreUnavailableError
from monitor.farm import PostgresSettings
from monitor.stores.schema import HEAD, KNOWN

LEDGER_FILE = "ledger.db"
_BUSY_MS = 10_000
_CONNECT_S = 10
_OVER_THE_NET = {"connect_timeout": _CONNECT_S, "application_name": "traywarden"}
_WRITE_LOCK = 5_447_201_103
"""The advisory lock that a writer of a PostgreSQL ledger holds; any fixed number that nothing else there uses."""


def ledger_file_url(path: Path) -> URL:
    """Return the SQLAlchemy address of a ledger file."""
    return URL.create("sqlite", database=str(path))


def postgres_url(settings: PostgresSettings) -> URL:
    """Return the SQLAlchemy address of a PostgreSQL ledger, its password read from where farm.toml says.

    Raises:
        StoreError: The password cannot be read.
    """
    url = make_url(settings.address).set(drivername="postgresql+psycopg")
    if settings.password_file is not None:
        try:
            return url.set(password=settings.password_file.read_text(encoding="utf-8").strip())
        except (OSError, UnicodeDecodeError) as exc:
            raise StoreError(f"[storage.postgresql] password_file {settings.password_file}: {exc}") from exc
    if settings.password_env is not None:
        if settings.password_env not in os.environ:
            raise StoreError(
                f"[storage.postgresql] password_env: the environment variable {settings.password_env} is not set"
            )
        return url.set(password=os.environ[settings.password_env])
    return url


@contextmanager
def store_errors(what: str) -> Iterator[None]:
    """Turn the library's errors into ours, with what was being done."""
    try:
        yield
    except DBAPIError as exc:
        said = " ".join(str(exc.orig).split())
        passing = "locked" in said or exc.connection_invalidated or _is_away(exc)
        kind = StoreUnavailableError if passing else StoreError
        raise kind(f"{what}: the ledger database says: {said}; {_hint(exc, said)}, then try again") from exc
    except SQLAlchemyError as exc:
        raise StoreError(f"{what}: {exc}") from exc


def _hint(exc: DBAPIError, said: str) -> str:
    """Return what to look at."""
    if not _is_away(exc):
        return "see that its disk is not full"
    if 'database "' in said and "does not exist" in said:  # it has no code of its own while it connects
        return "make it on its server with `createdb --owner USER DATABASE`"
    return "see that it runs and can be reached"


def _is_away(exc: DBAPIError) -> bool:
    """Tell whether a database server could not be reached, or went away; a file never does."""
    return isinstance(exc, OperationalError) and not isinstance(exc.orig, sqlite3.Error)


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
    elif connection.get_execution_options().get("writes", False):
        # Entries thereby get their numbers in the order in which they are committed: who reads on from the newest
        # number that it knows misses none.
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITE_LOCK})")


@contextmanager
def writing(engine: Engine, what: str) -> Iterator[Connection]:
    """Give a connection in a transaction that holds the write lock; all or nothing of it is kept."""
    with store_errors(what), engine.execution_options(writes=True).begin() as connection:
        yield connection


def open_engine(url: URL) -> Engine:
    """Return an engine on a database that stands at the present schema.

    Args:
        url: SQLAlchemy address, of SQLite or PostgreSQL.

    Raises:
        NewerSchemaError: A newer version of Traywarden wrote it.
        StoreError: It cannot be opened, or is no ledger database.
    """
    is_file = url.get_backend_name() == "sqlite"
    engine = create_engine(url, pool_pre_ping=not is_file, connect_args={} if is_file else _OVER_THE_NET)
    event.listen(engine, "connect", _settings)
    event.listen(engine, "begin", _begin)
    try:
        with store_errors(f"opening {said_address(engine)}"):
            _bring_up(engine)
    except BaseException:
        engine.dispose()
        raise
    return engine


def said_address(engine: Engine) -> str:
    """Return a database's address as farm.toml has it, its password left out."""
    return engine.url.set(drivername=engine.url.get_backend_name()).render_as_string()


def insert_into(connection: Connection, table: Table) -> Any:
    """Return the insert of a database's own kind, which knows ON CONFLICT."""
    return (postgresql if connection.dialect.name == "postgresql" else sqlite).insert(table)


def database_ms(connection: Connection) -> int:
    """Return what time it is by the database's own clock: one clock for all processes. [ms since 1970 UTC]."""
    if connection.dialect.name == "postgresql":
        asked = "SELECT (extract(epoch FROM clock_timestamp()) * 1000)::bigint"
    else:
        asked = "SELECT CAST(round((julianday('now') - 2440587.5) * 86400000) AS INTEGER)"
    return int(connection.exec_driver_sql(asked).scalar_one())


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
            f"{said_address(engine)} has schema {version}, this Traywarden knows up to {HEAD}: a newer "
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
