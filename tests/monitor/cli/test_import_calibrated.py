"""A logger's file is corrected by the calibration of its day, as what comes over the air is; an export is not again."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collectors.intake import Intake
from collectors.pipeline import Message, Pipeline
from monitor.calibration import as_of_its_day, calibrations_of
from monitor.farmfile import load_farm
from monitor.readings import Reading
from monitor.stores.ledger import open_ledger
from monitor.stores.opening import quarantine_store
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
CHECKED = NOW - timedelta(days=10)
SHOWN = [(CHECKED + timedelta(hours=n), 20.0 + n / 4) for n in range(-5, 6)]


def a_farm(folder: Path) -> Path:
    """Write a farm whose thermometer was checked in ice ten days ago: it showed 0.5 too much; another never was."""
    folder.mkdir()
    more = sensor_text("air", "temperature", "cellar") + sensor_text("other", "temperature", "cellar")
    (folder / "farm.toml").write_text(TEXT.format(zone="UTC", more=more), encoding="utf-8")
    assert call(folder / "farm.toml", "calibrate", "air", "--ice", "0.5", now=CHECKED).refused is None
    return folder / "farm.toml"


def held(path: Path) -> list[Reading]:
    """Return all that is stored."""
    with closing(quarantine_store(load_farm(path))) as store:
        return store.read(store.sensors(), NOW - timedelta(days=99), NOW + timedelta(days=9)).readings()


def over_the_air(path: Path) -> None:
    """Take in what the thermometer showed as it comes over the air."""
    farm = load_farm(path)
    with closing(open_ledger(farm.storage.folder)) as ledger, closing(quarantine_store(farm)) as store:
        made = calibrations_of(ledger.entries())
        pipeline = Pipeline(
            farm,
            quarantine=store.quarantine,
            latest=store.latest,
            calibrate=lambda who, value, at_ms: as_of_its_day(made, who.id, value, at_ms),
        )
        for at, value in SHOWN:
            said = json.dumps([{"n": "air", "u": "Cel", "t": at.timestamp(), "v": value}]).encode()
            Intake(pipeline, store).take([Message("t/air", said, at)])


@pytest.fixture
def logger(tmp_path: Path) -> Path:
    """Return a logger's file of what the thermometer showed, half of it from before it was checked."""
    path = tmp_path / "logger.csv"
    rows = "".join(f"{at:%Y-%m-%d %H:%M:%S},{value},{value}\n" for at, value in SHOWN)
    path.write_text(f"date,Temp,Other\n{rows}", encoding="utf-8")
    return path


def test_a_loggers_file_is_stored_as_if_it_had_come_over_the_air(logger: Path, tmp_path: Path) -> None:
    """Before the check as shown, from then on corrected with the raw value beside."""
    one, two = a_farm(tmp_path / "one"), a_farm(tmp_path / "two")
    over_the_air(one)
    said = call(two, "import", str(logger), "--time", "date", "--map", "Temp=air", "--zone", "UTC", now=NOW)
    raw = [(each.measured_at, each.value) for each in held(two) if each.sensor == "air.raw"]

    assert "6 of them are corrected" in said.out
    assert held(two) == held(one)
    assert [each.value for each in held(two) if each.sensor == "air"] == [
        value if at < CHECKED else value - 0.5 for at, value in SHOWN
    ]
    assert raw == [(at, value) for at, value in SHOWN if at >= CHECKED]


def test_a_sensor_that_was_never_checked_is_taken_as_it_shows(logger: Path, tmp_path: Path) -> None:
    """In the same file, no raw series, and the counts are those of the rows."""
    path = a_farm(tmp_path / "one")
    words = ("import", str(logger), "--time", "date", "--map", "Temp=air", "--map", "Other=other", "--zone", "UTC")
    facts = json.loads(call(path, *words, "--json", now=NOW).out)
    again = json.loads(call(path, *words, "--json", now=NOW).out)

    assert [each.value for each in held(path) if each.sensor == "other"] == [value for _, value in SHOWN]
    assert {each.sensor for each in held(path)} == {"air", "air.raw", "other"}
    assert (facts["readings"], facts["new_readings"], facts["corrected"]) == (22, 22, 6)
    assert (again["readings"], again["new_readings"]) == (22, 0)


def test_a_file_that_came_in_before_the_check_was_entered_is_put_right_by_bringing_it_in_again(
    logger: Path, tmp_path: Path
) -> None:
    """Nothing of it is new, but what it says is corrected now."""
    folder = tmp_path / "late"
    folder.mkdir()
    path = folder / "farm.toml"
    path.write_text(TEXT.format(zone="UTC", more=sensor_text("air", "temperature", "cellar")), encoding="utf-8")
    words = ("import", str(logger), "--time", "date", "--map", "Temp=air", "--zone", "UTC", "--json")
    call(path, *words, now=NOW)
    call(path, "calibrate", "air", "--ice", "0.5", now=CHECKED)
    facts = json.loads(call(path, *words, now=NOW).out)

    assert (facts["new_readings"], facts["corrected"]) == (0, 6)
    assert [each.value for each in held(path) if each.sensor == "air"][-1] == SHOWN[-1][1] - 0.5


@pytest.mark.parametrize("ending", ["csv", "parquet", "senml"])
@pytest.mark.parametrize("one_series", [False, True])
def test_an_export_is_not_corrected_again(tmp_path: Path, ending: str, one_series: bool) -> None:
    """Its values are corrected, whether or not the raw series came with them; the other farm knows the same check."""
    one, two = a_farm(tmp_path / "one"), a_farm(tmp_path / "two")
    over_the_air(one)
    file = tmp_path / f"all.{ending}"
    call(one, "export", str(file), *(("--sensor", "air") if one_series else ()), now=NOW)
    said = call(two, "import", str(file), now=NOW)

    assert said.refused is None
    assert "corrected" not in said.out
    assert [(each.sensor, each.measured_at, each.value) for each in held(two)] == [
        (each.sensor, each.measured_at, each.value) for each in held(one) if not one_series or each.sensor == "air"
    ]


def test_an_export_whose_columns_are_named_by_hand_is_not_corrected_again(tmp_path: Path) -> None:
    """It is known by its header, and said so."""
    one, two = a_farm(tmp_path / "one"), a_farm(tmp_path / "two")
    over_the_air(one)
    call(one, "export", str(tmp_path / "air.csv"), "--sensor", "air", now=NOW)
    said = call(two, "import", str(tmp_path / "air.csv"), "--time", "time", "--map", "value=air", now=NOW)

    assert "corrected already" in said.err
    assert held(two) == [each for each in held(one) if each.sensor == "air"]


def test_a_senml_pack_of_others_is_corrected_unless_its_raw_series_stands_in_it(tmp_path: Path) -> None:
    """A gateway's own log holds what the sensors showed."""
    one, two = a_farm(tmp_path / "one"), a_farm(tmp_path / "two")
    pack = [{"n": "air", "u": "Cel", "t": at.timestamp(), "v": value} for at, value in SHOWN[-2:]]
    (tmp_path / "log.senml").write_text(json.dumps(pack), encoding="utf-8")
    both = [*pack, {"n": "air.raw", "u": "Cel", "t": SHOWN[-1][0].timestamp(), "v": 30.0}]
    (tmp_path / "both.senml").write_text(json.dumps(both), encoding="utf-8")
    facts = json.loads(call(one, "import", str(tmp_path / "log.senml"), "--json", now=NOW).out)
    call(two, "import", str(tmp_path / "both.senml"), now=NOW)

    assert (facts["readings"], facts["new_readings"], facts["corrected"]) == (2, 2, 2)
    assert [(each.sensor, each.value) for each in held(one)] == [
        ("air", 20.5), ("air", 20.75), ("air.raw", 21.0), ("air.raw", 21.25)
    ]  # fmt: skip
    assert [(each.sensor, each.value) for each in held(two)] == [("air", 21.0), ("air", 21.25), ("air.raw", 30.0)]
