"""`traywarden inspect` finds what is damaged, missing, silent or out of its time, and reckons with the disk."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.readings import Block, Doubt, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a farm of ten days of readings each five minutes, with a hole of six hours; half of them packed."""
    text = sensor_text("air", "temperature", "cellar") + sensor_text("damp", "humidity", "cellar")
    (tmp_path / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=text), encoding="utf-8")
    store = SqliteReadingStore(tmp_path / "data" / "readings.db")
    begin = NOW - 10 * DAY
    for name in ("air", "damp"):
        rows = []
        for n in range(10 * 288):
            at = begin + timedelta(minutes=5 * n)
            if name == "damp" and 5 * DAY <= at - begin < 5.25 * DAY:
                continue
            doubt = Doubt.CLOCK_AHEAD if name == "air" and n < 7 else Doubt.NONE
            rows.append(Reading(sensor=name, measured_at=at, value=20.0 + n % 9 / 100, flag=Flag.PASS, doubt=doubt))
        store.append(Block.from_readings(rows))
    store.append(Block.from_readings([Reading(sensor="air", measured_at=NOW + 40 * DAY, value=20.0)]))
    store.compact(NOW - 5 * DAY, now=NOW)
    store.close()
    return tmp_path / "farm.toml"


def test_gaps_clocks_and_room_are_told(path: Path) -> None:
    """Sound files, a hole where one is, devices' clocks, readings of the future, and the room that is left."""
    said = call(path, "inspect", "--deep", now=NOW)
    facts = json.loads(call(path, "inspect", "--json", now=NOW).out)
    air, damp = facts["sensors"]

    assert said.refused is None
    assert "Nothing is damaged or missing." in said.out
    assert "gap of 6.0 h: Sun 15 Mar 12:00 to Sun 15 Mar 18:00" in said.out
    assert "7 readings from a device whose clock was ahead" in said.out
    assert "1 readings lie ahead of now" in said.out
    assert (air["readings"], air["clock_ahead"], air["in_future"], air["gaps"]) == (2880, 7, 1, [])
    assert damp["heard_share"] == pytest.approx(1 - 72 / 2880)
    assert [gap["from"] for gap in damp["gaps"]] == ["2026-03-15T12:00:00+00:00"]
    assert facts["amiss"] == []
    assert facts["disk"]["packed_readings"] == 2 * 5 * 288
    assert facts["disk"]["readings_a_day"] == pytest.approx((2880 + 2808) / 10, rel=0.01)
    assert facts["disk"]["days_left"] > 0


def test_a_damaged_file_is_found_by_reading_it(path: Path) -> None:
    """A byte in the middle: told with --deep, and where the sensor is read; exit status 1."""
    (file,) = (path.parent / "data" / "history").glob("*.parquet")
    content = bytearray(file.read_bytes())
    content[len(content) // 4] ^= 0xFF
    file.write_bytes(bytes(content))

    said = call(path, "inspect", "--deep", now=NOW)

    assert f"AMISS: history/{file.name} is damaged (2880 readings)" in said.out
    assert str(said.refused).endswith("things amiss; see above")


def test_missing_and_unknown_files_are_told(path: Path) -> None:
    """The one to be put back from a backup, the other to be brought in by import."""
    (file,) = (path.parent / "data" / "history").glob("*.parquet")
    file.rename(file.with_name("2020-01-000001.parquet"))

    facts = json.loads(call(path, "inspect", "--json", now=NOW).out)

    assert facts["amiss"][0].startswith(f"history/{file.name} is missing, with 2880 readings")
    assert facts["amiss"][1].startswith("history/2020-01-000001.parquet is not known")


def test_a_damaged_database_is_told_and_nothing_else_is_tried(path: Path) -> None:
    """The rest of the report does not hang on it."""
    database = path.parent / "data" / "readings.db"
    content = bytearray(database.read_bytes())
    content[4096:12000] = bytes(7904)
    database.write_bytes(bytes(content))

    said = call(path, "inspect", now=NOW)

    assert "AMISS: readings.db is damaged" in said.out
    assert said.refused == "1 things amiss; see above"
