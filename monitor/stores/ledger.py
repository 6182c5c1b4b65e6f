"""The ledger on SQLAlchemy Core: entries are added in one transaction, and never changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, Row, func, insert, select

from monitor.errors import StoreError
from monitor.farm import PostgresSettings
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.readings import from_ms, to_ms
from monitor.stores.engine import LEDGER_FILE, ledger_file_url, open_engine, postgres_url, store_errors, writing
from monitor.stores.schema import ENTRY

Check = Callable[[tuple[Entry, ...]], None]


class SqlLedger:
    """Entries in a database; several processes may have it open."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema (see open_engine)."""
        self.engine = engine
        self._held: tuple[Entry, ...] = ()

    def append(
        self, entries: Sequence[NewEntry], *, recorded_at: datetime, check: Check | None = None
    ) -> tuple[Entry, ...]:
        """Write entries down, all or none, and return them numbered.

        Args:
            entries: What to write.
            recorded_at: When it is written.
            check: Called with all entries under the write lock before anything is written; what it raises
                is passed on, and nothing is written. Usually monitor.fold.check_append.

        Raises:
            StoreError: Nothing was written.
        """
        with writing(self.engine, "writing entries") as connection:
            if check is not None:
                check(self._catch_up(connection))
            rows = [
                connection.execute(insert(ENTRY).values(_row(new, recorded_at)).returning(ENTRY)).one()
                for new in entries
            ]
            return tuple(_entry(row) for row in rows)

    def _catch_up(self, connection: Connection) -> tuple[Entry, ...]:
        """Read the entries that were not read before, and return all."""
        held = self._held  # another thread may catch up in the same moment: each adds to what it saw
        last = held[-1].id if held else 0
        rows = connection.execute(select(ENTRY).where(ENTRY.c.id > last).order_by(ENTRY.c.id)).all()
        if rows:
            held = self._held = (*held, *(_entry(row) for row in rows))
        return held

    def entries(self) -> tuple[Entry, ...]:
        """Return all entries in the order of recording; only those not read before are fetched."""
        with store_errors("reading entries"), self.engine.connect() as connection:
            return self._catch_up(connection)

    def version(self) -> int:
        """Return the number of the newest entry, 0 where there is none; it grows with every entry."""
        with store_errors("reading the newest entry"), self.engine.connect() as connection:
            return int(connection.execute(select(func.max(ENTRY.c.id))).scalar() or 0)

    def close(self) -> None:
        """Let go of the database; a second call does nothing."""
        self.engine.dispose()


def _row(new: NewEntry, recorded_at: datetime) -> dict[str, object]:
    """Return an entry as its table has it."""
    return {
        "kind": new.kind.value,
        "at": to_ms(new.at),
        "recorded_at": to_ms(recorded_at),
        "by": new.by,
        "batch": new.batch,
        "trays": new.trays,
        "spot": new.spot,
        "stack": new.stack,
        "corrects": new.corrects,
        "data": dict(new.data),
    }


def _entry(row: Row[tuple[object, ...]]) -> Entry:
    """Return a row of the table as an entry."""
    values = row._mapping
    return Entry(
        id=int(values["id"]),
        kind=EntryKind(values["kind"]),
        at=from_ms(values["at"]),
        recorded_at=from_ms(values["recorded_at"]),
        by=values["by"],
        batch=values["batch"],
        trays=values["trays"],
        spot=values["spot"],
        stack=values["stack"],
        corrects=values["corrects"],
        data=values["data"],
    )


def open_ledger(folder: Path, postgres: PostgresSettings | None = None) -> SqlLedger:
    """Open (or begin) a farm's ledger: the file in its storage folder, or the PostgreSQL that farm.toml names.

    Args:
        folder: The storage folder.
        postgres: Where the PostgreSQL is; None: the file.

    Raises:
        StoreError: The folder cannot be made or written, the file is no ledger, or the server refuses.
        StoreUnavailableError: The server does not answer.
        NewerSchemaError: A newer version wrote it.
    """
    if postgres is not None:
        return SqlLedger(open_engine(postgres_url(postgres)))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise StoreError(f"the storage folder {folder} cannot be made: {exc}; name another under [storage]") from exc
    return SqlLedger(open_engine(ledger_file_url(folder / LEDGER_FILE)))
