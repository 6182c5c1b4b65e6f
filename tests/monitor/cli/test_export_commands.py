"""What is exported comes in again: CSV and Parquet to the last bit, SenML as far as SenML goes."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from monitor.readings import Block, Doubt, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.commands import Said, call
from tests.support.farms import TEXT, sensor_text

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
MARCH = datetime(2026, 3, 2, 6, 30, 0, 123000, tzinfo=UTC)
SENSORS = "\n".join(
    [
        sensor_text("air", "temperature", "cellar"),
        sensor_text("damp", "humidity", "cellar/1/1"),
        sensor_text("beam", "ppfd", "cellar/1/1"),
        sensor_text("scale", "weight", "cellar/1/2"),
    ]
)


def a_farm(folder: Path) -> Path:
    """Write a farm of four sensors, and return where its file is."""
    folder.mkdir()
    (folder / "farm.toml").write_text(TEXT.format(zone="Europe/Lisbon", more=SENSORS), encoding="utf-8")
    return folder / "farm.toml"


def held(farm_path: Path) -> list[Reading]:
    """Return all readings of a farm."""
    store = SqliteReadingStore(farm_path.parent / "data" / "readings.db")
    rows = store.read(store.sensors(), NOW - timedelta(days=9000), NOW + timedelta(days=9000)).readings()
    store.close()
    return rows


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """Return a farm with 40 readings of each sensor, some of them packed, some odd."""
    path = a_farm(tmp_path / "a")
    store = SqliteReadingStore(path.parent / "data" / "readings.db")
    rows = []
    for name, value in (("air", 20.01), ("damp", 55.5), ("beam", 150.0), ("scale", 2140.0), ("air.raw", 19.6)):
        for n in range(40):
            odd = n % 10 == 9
            rows.append(
                Reading(
                    sensor=name,
                    measured_at=MARCH + timedelta(hours=9 * n, milliseconds=n),
                    value=value + n / 100 if not odd else value + 1 / 3,
                    flag=Flag.FAIL if odd else Flag.PASS,
                    doubt=Doubt.OUT_OF_SPAN if odd else Doubt.NONE,
                )
            )
    store.append(Block.from_readings(rows))
    store.compact(MARCH + timedelta(days=6), now=NOW)
    store.close()
    return path


def says(farm_path: Path, *words: str) -> Said:
    """Run a command that must not be refused."""
    said = call(farm_path, *words, now=NOW)
    assert said.refused is None, said.refused
    return said


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_an_export_comes_in_again_to_the_last_bit(filled: Path, tmp_path: Path, ending: str) -> None:
    """Into another farm: every value, flag, doubt and millisecond; a second time nothing is new."""
    file = tmp_path / f"all.{ending}"
    told = json.loads(says(filled, "export", str(file), "--json").out)
    other = a_farm(tmp_path / "b")
    first = json.loads(says(other, "import", str(file), "--json").out)
    second = json.loads(says(other, "import", str(file), "--json").out)

    assert held(other) == held(filled)
    assert (told["readings"], told["left_out"], told["outside"]) == (200, 0, 0)
    assert (first["readings"], first["new_readings"], first["doubtful"], first["errors"]) == (200, 200, 20, 0)
    assert second["new_readings"] == 0


def test_senml_carries_what_can_be_relied_on(filled: Path, tmp_path: Path) -> None:
    """One pack of registered units; what is flagged, and a flux for which there is no unit, is left out and said so."""
    file = tmp_path / "all.senml"
    said = says(filled, "export", str(file))
    pack = json.loads(file.read_text(encoding="utf-8"))
    other = a_farm(tmp_path / "b")
    says(other, "import", str(file))

    assert "56 readings were left out" in said.err
    assert {(record["n"], record["u"]) for record in pack} == {
        ("air", "Cel"),
        ("air.raw", "Cel"),
        ("damp", "%RH"),
        ("scale", "g"),
    }
    assert len(pack) == 4 * 36
    good = [row for row in held(filled) if row.flag is Flag.PASS and row.sensor != "beam"]
    assert [(row.sensor, row.measured_at, row.value) for row in held(other)] == [
        (row.sensor, row.measured_at, row.value) for row in good
    ]


def test_other_programs_read_the_files(filled: Path, tmp_path: Path) -> None:
    """CSV by Python's own reader, Parquet with its types and names."""
    says(filled, "export", str(tmp_path / "x.csv"), "--sensor", "air", "--from", "2026-03-03", "--to", "2026-03-03")
    says(filled, "export", str(tmp_path / "x.parquet"))
    with (tmp_path / "x.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    table = pq.read_table(tmp_path / "x.parquet")

    assert [row["time"] for row in rows] == [
        "2026-03-03T00:30:00.125Z",
        "2026-03-03T09:30:00.126Z",
        "2026-03-03T18:30:00.127Z",
    ]
    assert rows[0] == {
        "time": "2026-03-03T00:30:00.125Z",
        "sensor": "air",
        "quantity": "temperature",
        "unit": "degC",
        "value": "20.03",
        "flag": "1",
        "doubt": "0",
    }
    assert table.num_rows == 200
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert set(table["unit"].to_pylist()) == {"degC", "%RH", "umol m-2 s-1", "g"}


def test_a_packed_file_alone_can_be_brought_in(filled: Path, tmp_path: Path) -> None:
    """A readings file was lost, its folder history was not."""
    (packed,) = (filled.parent / "data" / "history").glob("*.parquet")
    other = a_farm(tmp_path / "b")
    said = says(other, "import", str(packed))

    assert "it is packed readings" in said.out
    assert held(other) == [row for row in held(filled) if row.measured_at < MARCH + timedelta(days=6)]


def test_unknown_sensors_are_refused_or_taken(filled: Path, tmp_path: Path) -> None:
    """A farm that lacks them is told which; --unknown takes them all the same."""
    (tmp_path / "c").mkdir()
    bare = tmp_path / "c" / "farm.toml"
    bare.write_text(
        TEXT.format(zone="Europe/Lisbon", more=sensor_text("air", "temperature", "cellar")), encoding="utf-8"
    )
    for ending in ("csv", "parquet"):
        says(filled, "export", str(tmp_path / f"x.{ending}"))
        facts = json.loads(says(bare, "import", str(tmp_path / f"x.{ending}"), "--json").out)
        assert (facts["readings"], facts["errors"]) == (80, 120)
        assert "farm.toml" in facts["error_rows"][0]["why"]
    says(bare, "import", str(tmp_path / "x.parquet"), "--unknown")

    assert held(bare) == held(filled)


def test_an_existing_file_is_not_written_over(filled: Path, tmp_path: Path) -> None:
    """Unless that is said; a format that no ending tells must be said too, and so must a sensor that is there."""
    file = tmp_path / "x.csv"
    file.write_text("mine", encoding="utf-8")

    assert "--overwrite" in str(call(filled, "export", str(file), now=NOW).refused)
    assert file.read_text(encoding="utf-8") == "mine"
    says(filled, "export", str(file), "--overwrite")
    assert "--format" in str(call(filled, "export", str(tmp_path / "x.dat"), now=NOW).refused)
    assert "no readings of lux" in str(
        call(filled, "export", str(tmp_path / "y.csv"), "--sensor", "lux", now=NOW).refused
    )
    assert "cannot be written" in str(call(filled, "export", str(tmp_path / "no" / "y.csv"), now=NOW).refused)
    assert not list(tmp_path.glob(".*unfinished"))


def test_what_lies_outside_the_days_is_counted(filled: Path, tmp_path: Path) -> None:
    """Readings before records_from, or ahead of today, are not forgotten silently."""
    store = SqliteReadingStore(filled.parent / "data" / "readings.db")
    store.append(Block.from_readings([Reading(sensor="air", measured_at=datetime(2001, 1, 1, tzinfo=UTC), value=1.0)]))
    store.close()

    said = says(filled, "export", str(tmp_path / "x.csv"))

    assert "1 readings lie before 2020-01-01" in said.err


def test_lines_in_error_are_told_and_passed_over(filled: Path, tmp_path: Path) -> None:
    """A hand-edited export: each bad line by its number, the rest comes in."""
    file = tmp_path / "x.csv"
    head = "time,sensor,quantity,unit,value,flag,doubt\n"
    bad = [
        "2026-03-02T07:30:00Z,air,temperature,degC,warm,1,0",
        "2026-03-02T07:30:00,air,temperature,degC,20,1,0",
        "2026-03-02T07:30:00Z,nobody,temperature,degC,20,1,0",
        "2026-03-02T07:30:00Z,air,temperature,degC,nan,1,0",
        "2026-03-02T07:30:00Z,air,temperature,degC,20,7,0",
        "2026-03-02T07:30:00Z,air",
    ]
    file.write_text(head + "\n".join(bad) + "\n2026-03-02T07:31:00Z,air,temperature,degC,20.5,1,0\n", encoding="utf-8")

    facts = json.loads(says(filled, "import", str(file), "--json").out)

    assert (facts["readings"], facts["errors"]) == (1, 6)
    assert [row["line"] for row in facts["error_rows"]] == [2, 3, 4, 5, 6, 7]


def test_senml_of_others_is_told_where_it_cannot_be_taken(filled: Path, tmp_path: Path) -> None:
    """Relative times, unknown names, wrong units and texts are told by record; Kelvin becomes degrees."""
    file = tmp_path / "node.json"
    pack = [
        {"n": "air", "u": "K", "v": 293.15, "t": MARCH.timestamp()},
        {"n": "air", "u": "Cel", "v": 20, "t": -5},
        {"n": "lamp", "u": "lx", "v": 20, "t": MARCH.timestamp()},
        {"n": "air", "u": "lx", "v": 20, "t": MARCH.timestamp()},
        {"n": "air", "vs": "hot", "t": MARCH.timestamp()},
    ]
    file.write_text(json.dumps(pack), encoding="utf-8")
    other = a_farm(tmp_path / "b")

    facts = json.loads(says(other, "import", str(file), "--json").out)

    assert [row["line"] for row in facts["error_rows"]] == [2, 3, 4, 5]
    (row,) = held(other)
    assert row.value == pytest.approx(20.0)
    assert row.measured_at == MARCH


def test_a_file_of_somebody_else_is_told(filled: Path, tmp_path: Path) -> None:
    """A Parquet file of another make, a torn one, and a logger's file without a mapping."""
    import pyarrow as pa

    pq.write_table(pa.table({"x": [1]}), tmp_path / "x.parquet")
    (tmp_path / "torn.parquet").write_bytes((tmp_path / "x.parquet").read_bytes()[:-10])
    (tmp_path / "log.csv").write_text("a;b\n1;2\n", encoding="utf-8")

    assert "did not write" in str(call(filled, "import", str(tmp_path / "x.parquet"), now=NOW).refused)
    assert "no whole Parquet file" in str(call(filled, "import", str(tmp_path / "torn.parquet"), now=NOW).refused)
    assert "--map" in call(filled, "import", str(tmp_path / "log.csv"), now=NOW).err
