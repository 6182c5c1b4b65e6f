"""Readings from one store into another: all of them, resumable, and counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import StoreError, StoreUnavailableError
from monitor.migrating import Progress, migrate, months
from monitor.readings import Block, Doubt, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore

T0 = datetime(2025, 11, 20, tzinfo=UTC)


def some(sensor: str, days: Sequence[float]) -> list[Reading]:
    """Return readings of some days."""
    return [
        Reading(sensor=sensor, measured_at=T0 + timedelta(days=each), value=each, flag=Flag.SUSPECT, doubt=Doubt.SPIKE)
        for each in days
    ]


class Failing(SqliteReadingStore):
    """A store that fails at some of its appends."""

    fails_at: set[int]
    appended = 0
    loses = False

    def append(self, block: Block) -> None:
        """Keep a block, or fail, or lose its first row."""
        self.appended += 1
        if self.appended in self.fails_at:
            raise StoreUnavailableError("the test's server is gone")
        super().append(block.rows(slice(1, None)) if self.loses else block)


@pytest.fixture
def source(tmp_path: Path) -> Iterator[SqliteReadingStore]:
    """Return a store with readings over five months, one of them empty, and one long before."""
    store = SqliteReadingStore(tmp_path / "from" / "readings.db")
    store.append(Block.from_readings([*some("air", [0, 0.5, 12, 13, 80, 130]), *some("damp.raw", [12, -3000])]))
    yield store
    store.close()


@pytest.fixture
def target(tmp_path: Path) -> Iterator[Failing]:
    """Return an empty store."""
    store = Failing(tmp_path / "to" / "readings.db")
    store.fails_at = set()
    yield store
    store.close()


def test_all_is_copied_and_counted(source: SqliteReadingStore, target: Failing, tmp_path: Path) -> None:
    """Value, flag and doubt, whatever the sensor is called and however long ago it was."""
    told: list[tuple[int, int]] = []
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"), tell=lambda *each: told.append(each))
    span = (T0 - timedelta(days=9000), T0 + timedelta(days=900))

    assert (moved.copied, moved.found, moved.source, moved.target) == (8, 8, 8, 8)
    assert target.read(source.sensors(), *span).readings() == source.read(source.sensors(), *span).readings()
    assert told[-1][0] == told[-1][1] == len(told)
    assert moved.from_on == datetime(2017, 9, 1, tzinfo=UTC)


def test_a_broken_run_goes_on_where_it_was(source: SqliteReadingStore, target: Failing, tmp_path: Path) -> None:
    """The second run copies from the month that failed on, and nothing is missing."""
    target.fails_at = {3}
    with pytest.raises(StoreUnavailableError, match="is gone"):
        migrate(source, target, Progress(tmp_path / "p.json", "x"))
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"))

    assert moved.from_on == datetime(2025, 12, 1, tzinfo=UTC)
    assert (moved.copied, moved.target) == (5, 8)


def test_another_way_begins_anew(source: SqliteReadingStore, target: Failing, tmp_path: Path) -> None:
    """What was noted of one server says nothing of another."""
    migrate(source, target, Progress(tmp_path / "p.json", "x"))

    assert migrate(source, target, Progress(tmp_path / "p.json", "y")).copied == 8


def test_what_came_meanwhile_is_copied_by_the_next_run(
    source: SqliteReadingStore, target: Failing, tmp_path: Path
) -> None:
    """The last month is copied again, since it may have grown."""
    migrate(source, target, Progress(tmp_path / "p.json", "x"))
    source.append(Block.from_readings(some("air", [130.5, 200])))
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"))

    assert (moved.copied, moved.source, moved.target) == (3, 10, 10)


def test_what_was_corrected_or_came_in_late_is_copied_by_the_next_run(
    source: SqliteReadingStore, target: Failing, tmp_path: Path
) -> None:
    """A value, a flag alone, a new instant in a copied month, and a month before all others; nothing else of them."""
    migrate(source, target, Progress(tmp_path / "p.json", "x"))
    migrate(source, target, Progress(tmp_path / "p.json", "x"))
    corrected = Reading(sensor="air", measured_at=T0, value=-7.0)
    flagged = replace(some("air", [13])[0], flag=Flag.PASS, doubt=Doubt.NONE)
    source.append(Block.from_readings([corrected, flagged, *some("damp.raw", [80, -4000])]))
    appended = target.appended
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"))
    idle = migrate(source, target, Progress(tmp_path / "p.json", "x"))
    span = (T0 - timedelta(days=9000), T0 + timedelta(days=900))

    assert target.read(source.sensors(), *span).readings() == source.read(source.sensors(), *span).readings()
    assert (moved.late, moved.source, moved.target) == (4, 10, 10)
    assert moved.copied == moved.late + 1  # the last month is copied again each time
    assert target.appended == appended + 4 + 1 + 1
    assert (idle.copied, idle.late) == (1, 0)


def test_a_run_broken_off_among_the_late_ones_goes_on_there(
    source: SqliteReadingStore, target: Failing, tmp_path: Path
) -> None:
    """What is new has gone in by then, and what was put right is not copied twice."""
    migrate(source, target, Progress(tmp_path / "p.json", "x"))
    source.append(Block.from_readings([*some("air", [0.25, 80.5]), *some("damp.raw", [200])]))
    target.fails_at = {target.appended + 4}  # the last month, the new one, the first late one, this
    with pytest.raises(StoreUnavailableError, match="is gone"):
        migrate(source, target, Progress(tmp_path / "p.json", "x"))
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"))
    span = (T0 - timedelta(days=9000), T0 + timedelta(days=900))

    assert target.read(source.sensors(), *span).readings() == source.read(source.sensors(), *span).readings()
    assert moved.late == 1


def test_a_target_that_loses_a_row_is_found_out(source: SqliteReadingStore, target: Failing, tmp_path: Path) -> None:
    """Which month, and how many."""
    target.loses = True

    with pytest.raises(StoreError, match="of 1 readings of September 2017 only 0 came back"):
        migrate(source, target, Progress(tmp_path / "p.json", "x"))


def test_an_empty_source_is_done_at_once(target: Failing, tmp_path: Path) -> None:
    """Nothing to copy is no fault."""
    source = SqliteReadingStore(tmp_path / "from" / "readings.db")
    moved = migrate(source, target, Progress(tmp_path / "p.json", "x"))
    source.close()

    assert (moved.copied, moved.target) == (0, 0)


def test_rubbish_for_progress_begins_anew(tmp_path: Path) -> None:
    """A torn file costs time only."""
    (tmp_path / "p.json").write_text('{"way": "x"', encoding="utf-8")

    assert Progress(tmp_path / "p.json", "x").done_until() is None


def test_months_follow_each_other_over_the_year() -> None:
    """Each ends where the next begins."""
    found = list(months(datetime(2025, 11, 30, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)))

    assert [begin.month for begin, _ in found] == [11, 12, 1, 2]
    assert [end for _, end in found][:-1] == [begin for begin, _ in found][1:]
