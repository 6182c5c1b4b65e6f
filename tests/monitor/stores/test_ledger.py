"""The ledger database: only ever added to, one schema from migrations, several writers."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from monitor.errors import EntryError, NewerSchemaError, StoreError
from monitor.fold import check_append
from monitor.ledger import EntryKind
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.schema import HEAD, KNOWN, METADATA
from tests.support.farms import new

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
SOW = new(EntryKind.SOWN, T0, trays=8, spot="cellar/1/1", data={"crop": "radish", "lot": "R-31"})


def test_entries_come_back_as_they_were(ledger: SqlLedger) -> None:
    """Every field, also those within data."""
    (written,) = ledger.append([SOW], recorded_at=T0)

    assert (written.id, written.kind, written.trays, written.data) == (1, SOW.kind, 8, SOW.data)
    assert ledger.entries() == (written,)


def test_all_or_none_are_written(ledger: SqlLedger) -> None:
    """A check that refuses leaves the ledger as it was."""
    ledger.append([SOW], recorded_at=T0)
    wrong = [new(EntryKind.HARVESTED, T0, trays=3), new(EntryKind.HARVESTED, T0, trays=9)]

    with pytest.raises(EntryError, match="5 of batch 1 can be"):
        ledger.append(wrong, recorded_at=T0, check=lambda known: check_append(known, wrong, recorded_at=T0))

    assert ledger.version() == 1


@pytest.mark.parametrize("deed", ["UPDATE entry SET trays = 1", "DELETE FROM entry"])
def test_an_entry_cannot_be_changed_even_by_hand(ledger: SqlLedger, deed: str) -> None:
    """The database itself refuses."""
    ledger.append([SOW], recorded_at=T0)
    path = str(ledger.engine.url.database)

    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="only ever added"):
        connection.execute(deed)


def test_another_process_sees_new_entries(tmp_path: Path) -> None:
    """Two ledgers on one file follow each other."""
    one, other = open_ledger(tmp_path), open_ledger(tmp_path)
    one.append([SOW], recorded_at=T0)
    assert other.version() == 1
    other.append([new(EntryKind.WATERED, T0)], recorded_at=T0)

    assert [entry.kind for entry in one.entries()] == [EntryKind.SOWN, EntryKind.WATERED]
    one.close()
    other.close()


def test_migrations_end_at_the_tables_that_the_code_knows(ledger: SqlLedger) -> None:
    """A freshly migrated database equals the metadata."""
    with ledger.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
    assert KNOWN[-1] == HEAD


def test_a_newer_ledger_is_refused(tmp_path: Path) -> None:
    """The words say what to do."""
    open_ledger(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "ledger.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()

    with pytest.raises(NewerSchemaError, match="newer"):
        open_ledger(tmp_path)


def test_a_file_that_is_no_ledger_is_refused(tmp_path: Path) -> None:
    """Rubbish under the name is left alone."""
    (tmp_path / "ledger.db").write_text("rubbish " * 200, encoding="utf-8")

    with pytest.raises(StoreError, match="not a database"):
        open_ledger(tmp_path)
