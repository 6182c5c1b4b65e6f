"""The ledger database, as a file and as PostgreSQL: only ever added to, one schema from migrations, several writers."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from alerts.alarms import Alarm, AlarmState
from alerts.alarms_sql import SqlAlarms
from alerts.findings import Finding, Priority
from alerts.nudges import Message
from alerts.outbox_sql import SqlOutbox
from monitor.errors import EntryError, NewerSchemaError, StoreError, StoreUnavailableError
from monitor.farm import PostgresSettings
from monitor.fold import check_append
from monitor.ledger import EntryKind
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.ledgercopy import copy_ledger_rows
from monitor.stores.schema import HEAD, KNOWN, METADATA
from tests.support.farms import new
from tests.support.postgres import Postgres

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
SOW = new(EntryKind.SOWN, T0, trays=8, spot="cellar/1/1", data={"crop": "radish", "lot": "R-31 µ"})
SERVER = pytest.param("postgres", marks=[pytest.mark.live, pytest.mark.xdist_group("postgres")])
Opener = Callable[[], SqlLedger]


@pytest.fixture(params=["sqlite", SERVER])
def again(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Opener]:
    """Return what opens one and the same new ledger, as often as it is called."""
    settings = None
    if request.param == "postgres":
        server: Postgres = request.getfixturevalue("postgres")
        settings = PostgresSettings(address=server.new_database())
    opened = []

    def open_again() -> SqlLedger:
        opened.append(open_ledger(tmp_path / "data", settings))
        return opened[-1]

    yield open_again
    for each in opened:
        each.close()


@pytest.fixture
def ledger(again: Opener) -> SqlLedger:
    """Return a new ledger of each kind."""
    return again()


def message(key: str) -> Message:
    """Return a message to a person."""
    return Message(
        key=key, kind="round", person="ines", channel="console", title="t", text="x", made_at=T0, due_at=T0,
        stages=(f"{key}#due",), tasks=(), was_late=False,
    )  # fmt: skip


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

    with ledger.engine.connect() as connection, pytest.raises(DBAPIError, match="only ever added"):
        connection.execute(text(deed))


def test_another_process_sees_new_entries(again: Opener) -> None:
    """Two ledgers on one database follow each other."""
    one, other = again(), again()
    one.append([SOW], recorded_at=T0)
    assert other.version() == 1
    other.append([new(EntryKind.WATERED, T0)], recorded_at=T0)

    assert [entry.kind for entry in one.entries()] == [EntryKind.SOWN, EntryKind.WATERED]


def test_what_was_checked_stays_true_until_it_is_written(again: Opener) -> None:
    """Of two who cut the last trays at once one is refused: checks are made under the lock of writers."""
    again().append([SOW], recorded_at=T0)
    all_of_it = [new(EntryKind.HARVESTED, T0, trays=8)]
    refused: list[EntryError] = []
    start = threading.Barrier(4)

    def cut(ledger: SqlLedger) -> None:
        start.wait()
        try:
            ledger.append(all_of_it, recorded_at=T0, check=lambda known: check_append(known, all_of_it, recorded_at=T0))
        except EntryError as exc:
            refused.append(exc)

    threads = [threading.Thread(target=cut, args=(again(),)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(refused) == 3
    assert [entry.kind for entry in again().entries()] == [EntryKind.SOWN, EntryKind.HARVESTED]


def test_messages_are_kept_once_and_in_order(ledger: SqlLedger) -> None:
    """The outbox keeps each key once for ever, and what was sent is sent."""
    outbox = SqlOutbox(ledger.engine)
    put = [outbox.put([message("a"), message("b")], state={"last round": "x"}, now=T0) for _ in range(2)]
    outbox.mark_sent("a", T0)
    outbox.mark_failed("b", "no route", None, T0)

    assert put == [2, 0]
    assert outbox.state("last round") == "x"
    assert (outbox.waiting(T0), outbox.told()) == ((), {"a#due", "b#due"})
    assert [row.key for row in outbox.troubled()] == ["b"]


def test_an_alarm_comes_back_as_it_stood(ledger: SqlLedger) -> None:
    """State and finding, also after it was written twice."""
    finding = Finding(
        rule="too_cold", spot="cellar/1/1", batch="1", sensor="air", priority=Priority.URGENT, since=T0, value=11.5,
        limit=16.0, cause="c", consequence="d", action="e",
    )  # fmt: skip
    alarm = Alarm(
        key="k", state=AlarmState.UNACKNOWLEDGED, finding=finding, first_at=T0, last_change_at=T0, gone_since=None
    )
    alarms = SqlAlarms(ledger.engine)
    alarms.save([alarm])
    alarms.save([alarm])

    assert alarms.load() == {"k": alarm}


def test_migrations_end_at_the_tables_that_the_code_knows(ledger: SqlLedger) -> None:
    """A freshly migrated database equals the metadata."""
    with ledger.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
    assert KNOWN[-1] == HEAD


def test_a_newer_ledger_is_refused(again: Opener) -> None:
    """The words say what to do."""
    with again().engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))

    with pytest.raises(NewerSchemaError, match="newer"):
        again()


def test_a_file_that_is_no_ledger_is_refused(tmp_path: Path) -> None:
    """Rubbish under the name is left alone."""
    (tmp_path / "ledger.db").write_text("rubbish " * 200, encoding="utf-8")

    with pytest.raises(StoreError, match="not a database"):
        open_ledger(tmp_path)


def test_a_file_that_another_writer_holds_is_worth_another_try(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Locked is told apart from broken."""
    monkeypatch.setattr("monitor.stores.engine._BUSY_MS", 10)
    ledger = open_ledger(tmp_path)
    with closing(sqlite3.connect(tmp_path / "ledger.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailableError, match="locked"):
            ledger.append([SOW], recorded_at=T0)
    ledger.close()


@pytest.mark.live
@pytest.mark.xdist_group("postgres")
def test_a_file_moves_to_a_server_and_back(tmp_path: Path, postgres: Postgres) -> None:
    """All rows arrive, the next entry is numbered on, and a database that is not empty is refused."""
    file = open_ledger(tmp_path / "a")
    file.append([SOW, new(EntryKind.WATERED, T0, data={"ml": 300})], recorded_at=T0)
    SqlOutbox(file.engine).put([message("a")], state={"last round": "x"}, now=T0)
    server = open_ledger(tmp_path, PostgresSettings(address=postgres.new_database()))
    back = open_ledger(tmp_path / "b")
    try:
        assert copy_ledger_rows(file.engine, server.engine) == 2
        server.append([new(EntryKind.NOTED, T0)], recorded_at=T0)
        assert copy_ledger_rows(server.engine, back.engine) == 3
        with pytest.raises(StoreError, match="holds 3 entries already"):
            copy_ledger_rows(file.engine, back.engine)

        assert back.entries()[:2] == file.entries()
        assert [entry.id for entry in back.entries()] == [1, 2, 3]
        assert SqlOutbox(back.engine).rows() == SqlOutbox(file.engine).rows()
    finally:
        for each in (file, server, back):
            each.close()


@pytest.mark.live
@pytest.mark.xdist_group("postgres")
def test_a_server_that_goes_away_is_worth_another_try(tmp_path: Path) -> None:
    """Killed, it is said to be away; started again, the same ledger goes on and holds what was committed."""
    from tests.support.postgres import postgres_server

    with postgres_server() as server:
        ledger = open_ledger(tmp_path, PostgresSettings(address=server.new_database()))
        ledger.append([SOW], recorded_at=T0)
        server.stop()
        with pytest.raises(StoreUnavailableError, match="see that it runs"):
            ledger.append([SOW], recorded_at=T0)
        server.start()

        ledger.append([new(EntryKind.WATERED, T0)], recorded_at=T0)
        assert [entry.kind for entry in ledger.entries()] == [EntryKind.SOWN, EntryKind.WATERED]
        ledger.close()


def test_a_password_that_cannot_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """File and variable are named; nothing is connected to."""
    address = "postgresql://traywarden@127.0.0.1:1/saltcellar"
    monkeypatch.delenv("LEDGER_PASSWORD", raising=False)
    with pytest.raises(StoreError, match=r"password_file .*nowhere\.txt"):
        open_ledger(tmp_path, PostgresSettings(address=address, password_file=tmp_path / "nowhere.txt"))
    with pytest.raises(StoreError, match="LEDGER_PASSWORD is not set"):
        open_ledger(tmp_path, PostgresSettings(address=address, password_env="LEDGER_PASSWORD"))


def test_a_server_that_is_not_there_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The words say where it was sought, and keep the password."""
    monkeypatch.setenv("LEDGER_PASSWORD", "correct-horse-battery")
    settings = PostgresSettings(
        address="postgresql://traywarden@127.0.0.1:1/saltcellar", password_env="LEDGER_PASSWORD"
    )
    with pytest.raises(StoreUnavailableError, match=r"127\.0\.0\.1") as caught:
        open_ledger(tmp_path, settings)

    assert "correct-horse" not in str(caught.value)
