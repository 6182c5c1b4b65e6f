"""Watched folders: half a file is not read, each row is stored once, a bad file is named and set aside."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.folders import FolderCollector, whole_lines
from collectors.intake import Intake
from collectors.pipeline import Pipeline
from collectors.seenfiles import SeenFiles
from monitor.errors import StoreUnavailableError
from monitor.readings import Block, Doubt, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import farm, sensor_text

NOW = datetime(2026, 3, 20, 9, tzinfo=UTC)
FOLDER = """
{sensors}
[[folder]]
id = "loggers"
path = "in"
time = "date"
columns = ["Temp=air:degF", "RH=damp"]
time_zone = "UTC"
settle_s = 30
"""
HEAD = "date;Temp;RH\n"


class Room:
    """A farm with one watched folder."""

    def __init__(self, folder: Path, **calibration: Any) -> None:
        """Build it; the same folder may be opened again, like after a restart."""
        sensors = sensor_text("air", "temperature", "cellar") + sensor_text("damp", "humidity", "cellar")
        self.farm = farm(folder, more=FOLDER.format(sensors=sensors))
        self.place = folder / "in"
        self.place.mkdir(exist_ok=True)
        self.now = NOW
        self.store = SqliteReadingStore(folder / "readings.db")
        self.told: list[Reading] = []
        self.pipeline = Pipeline(self.farm, quarantine=self.store.quarantine, latest=self.store.latest, **calibration)
        self.collector = FolderCollector(
            list(self.farm.feeds.folders.values()),
            self.farm.sensors,
            Intake(self.pipeline, self.store, after_commit=lambda block: self.told.extend(block.readings())),
            clock=lambda: self.now,
            seen=SeenFiles(folder / "watched.json"),
        )

    def write(self, name: str, text: str, *, more: bool = False) -> None:
        """Write a file, or add to it."""
        with (self.place / name).open("a" if more else "w", encoding="utf-8", newline="") as file:
            file.write(text)

    def look(self, after_s: float = 0) -> int:
        """Look again, some seconds later."""
        self.now += timedelta(seconds=after_s)
        return self.collector.look(self.now)

    def rest(self) -> int:
        """See what is there, and look again once it has rested."""
        self.look()
        return self.look(31)

    def stored(self) -> list[tuple[str, str, float]]:
        """Return (sensor, day and time, value) of all that is kept."""
        block = self.store.read(["air", "damp"], NOW - timedelta(days=5000), NOW + timedelta(days=5000))
        return [(row.sensor, row.measured_at.strftime("%d %H:%M"), round(row.value, 6)) for row in block.readings()]


@pytest.fixture
def room(tmp_path: Path) -> Room:
    """Return a room with an empty folder."""
    return Room(tmp_path)


def row(minute: int, temp_f: float, humidity: float) -> str:
    """Return one row."""
    return f"13.03.2026 10:{minute:02};{temp_f};{humidity}\n"


def test_rows_are_stored_with_their_own_times(room: Room) -> None:
    """Degrees Fahrenheit become stored ones, and days-old times are kept and judged like any other."""
    room.write("march.csv", HEAD + row(0, 68, 55) + row(1, 69.8, 56))

    assert room.rest() == 4
    assert room.stored() == [
        ("air", "13 10:00", 20.0), ("air", "13 10:01", 21.0), ("damp", "13 10:00", 55.0), ("damp", "13 10:01", 56.0)
    ]  # fmt: skip
    assert {(each.flag, each.doubt) for each in room.told} == {(Flag.PASS, Doubt.NONE)}


def test_a_file_that_is_still_written_to_is_left_alone(room: Room) -> None:
    """It is read when nothing has changed for the rest that farm.toml asks for, and not before."""
    room.write("march.csv", HEAD)
    looks = [room.look()]
    for minute in range(3):
        room.write("march.csv", row(minute, 68, 55), more=True)
        looks.append(room.look(20))
    looks.append(room.look(29))

    assert (looks, room.store.count()) == ([0, 0, 0, 0, 0], 0)
    assert room.look(2) == 6


def test_half_a_line_waits_for_its_end(room: Room) -> None:
    """A row cut in the middle of a number is not read as another number."""
    room.write("march.csv", HEAD + row(0, 68, 55) + "13.03.2026 10:01;69.8;5")
    first = room.rest()
    room.write("march.csv", "6.5\n", more=True)
    second = room.rest()

    assert (first, second) == (2, 2)
    assert room.stored()[-1] == ("damp", "13 10:01", 56.5)


def test_a_last_line_without_an_end_is_read_when_nothing_more_comes(room: Room) -> None:
    """Some loggers never write the last line end."""
    room.write("march.csv", HEAD + row(0, 68, 55) + "13.03.2026 10:01;69.8;56")
    room.rest()

    assert room.store.count() == 2
    assert room.look(300) == 2


def test_of_a_file_that_grows_only_the_new_rows_are_handed_on(room: Room, tmp_path: Path) -> None:
    """Also over a restart of the monitor."""
    room.write("march.csv", HEAD + row(0, 68, 55))
    room.rest()
    room.write("march.csv", row(1, 68, 55) + row(2, 68, 55), more=True)
    room.rest()
    grown = len(room.told)
    room.store.close()
    again = Room(tmp_path)
    idle = again.rest()
    again.write("march.csv", row(3, 68, 55), more=True)
    again.rest()

    assert (grown, idle, len(again.told), again.store.count()) == (6, 0, 2, 8)


def test_another_file_under_the_same_name_is_read_whole(room: Room) -> None:
    """A logger that begins its file anew each night loses no row."""
    room.write("day.csv", HEAD + row(0, 68, 55) + row(1, 68, 55))
    room.rest()
    room.write("day.csv", HEAD + row(5, 68, 55))
    room.rest()

    assert room.store.count() == 6


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("when;Temp;RH\n1;2;3\n", "no column 'date' in line 1", id="another table"),
        pytest.param(HEAD + "03/04/2026 10:00;68;55\n", "time_format", id="a day that can be two"),
        pytest.param(HEAD + "13.03.2026 10:00;warm;wet\n", "not one row could be read", id="no number at all"),
        pytest.param('date;Temp;RH\n"13.03.2026 10:00;68;55\n', "another number", id="an open quote"),
    ],
)
def test_a_bad_file_is_named_and_set_aside(room: Room, text: str, says: str) -> None:
    """It lies beside the others with its reason, the quarantine names it, and the next file is read."""
    room.write("bad.csv", text)
    room.write("good.csv", HEAD + row(0, 68, 55))
    found = room.rest()
    aside = room.place / "set-aside"
    why = (aside / "bad.csv.why.txt").read_text(encoding="utf-8")

    assert found == 2
    assert (aside / "bad.csv").read_text(encoding="utf-8") == text
    assert not (room.place / "bad.csv").exists()
    assert says in why.replace("-", "_") or says in why
    assert [payload for _, topic, payload, _ in room.store.quarantined() if topic == "file/loggers"] == [b"bad.csv"]


def test_a_second_bad_file_of_the_name_does_not_replace_the_first(room: Room) -> None:
    """Both are kept."""
    for number in range(2):
        room.write("bad.csv", f"when;Temp\n{number};2\n")
        room.rest()

    assert {path.name for path in (room.place / "set-aside").iterdir() if path.suffix == ".csv"} == {
        "bad.csv", "bad-2.csv"
    }  # fmt: skip


def test_a_bad_row_costs_itself_only(room: Room) -> None:
    """Its line stands in the quarantine; a file full of them leaves room there for others."""
    lines = [row(0, 68, 55), "13.03.2026 10:01;warm;56\n", *(f"noon {n};1;2\n" for n in range(80)), row(2, 68, 55)]
    room.write("march.csv", HEAD + "".join(lines))
    room.rest()
    aside = room.store.quarantined(200)

    assert room.store.count() == 5
    assert aside[-1][3] == "march.csv, line 3: 'warm' in column 'Temp' is no number"
    assert len(aside) == 50
    assert aside[0][3].endswith("31 more lines of this file cannot be read")


def test_a_header_alone_waits_for_its_rows(room: Room) -> None:
    """A logger that has just begun is no fault."""
    room.write("march.csv", HEAD)

    assert room.rest() == 0
    assert (room.place / "march.csv").exists()


@pytest.mark.parametrize("name", [".march.csv", "march.csv.part", "march.csv~", "march.csv.tmp"])
def test_files_in_the_making_are_passed_over(room: Room, name: str) -> None:
    """They get their own name when they are whole."""
    room.write(name, HEAD + row(0, 68, 55))

    assert room.rest() == 0


def test_a_store_that_fails_costs_nothing(room: Room) -> None:
    """The same rows are tried at the next look, and stored once."""
    room.write("march.csv", HEAD + row(0, 68, 55))
    append = room.store.append

    def fails(_block: Block) -> None:
        raise StoreUnavailableError("the test's disk is full")

    room.store.append = fails  # type: ignore[assignment,method-assign] # the test's disk
    room.rest()
    told = room.collector.trouble
    room.store.append = append  # type: ignore[method-assign] # the test's disk

    assert told is not None
    assert "the test's disk is full" in told
    assert (room.look(10), room.store.count(), room.collector.trouble) == (2, 2, None)


def test_a_wrong_clock_in_a_file_is_marked_and_never_replaced(room: Room) -> None:
    """A row of 2016 stays there; the instant of arrival would put a whole file into one minute."""
    room.write("old.csv", HEAD + "13.03.2016 10:00;68;55\n13.03.2016 10:01;68;55\n")
    room.rest()

    assert {each.doubt for each in room.told} == {Doubt.CLOCK_BEHIND}
    assert {each.measured_at.year for each in room.told} == {2016}


def test_a_calibration_holds_for_files_too(tmp_path: Path) -> None:
    """What the ledger says of a sensor is put on, and the raw value is kept beside it."""
    room = Room(tmp_path, calibrate=lambda sensor, value, _at: value + 1 if sensor.id == "air" else value)
    room.write("march.csv", HEAD + row(0, 68, 55))
    room.rest()

    assert {each.sensor: round(each.value, 6) for each in room.told} == {"air": 21.0, "air.raw": 20.0, "damp": 55.0}


def test_a_folder_that_is_not_there_is_said_once_and_looked_for(room: Room) -> None:
    """A share that is not mounted is a trouble that ends."""
    room.place.rmdir()
    room.look()
    told = room.collector.trouble
    room.place.mkdir()
    room.look()

    assert told is not None
    assert "cannot be looked into" in told
    assert room.collector.trouble is None


@given(st.text(alphabet="ab\n", max_size=30), st.sampled_from(["utf-8", "utf-16-le", "utf-16-be", "utf-16"]))
def test_whole_lines_end_at_the_last_line_end(text: str, encoding: str) -> None:
    """Whatever a character takes."""
    data = text.encode(encoding)
    cut = data[: whole_lines(data, None if encoding == "utf-16" else encoding)]

    assert cut.decode(encoding) == text[: text.rfind("\n") + 1]
