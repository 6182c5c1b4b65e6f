"""Files of loggers: what is found out, what is refused, what is kept."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from collectors.csv_fields import NumberColumn, TimeColumn, place_in_zone, read_number
from collectors.csvfile import Manner, Tally, Wish, look_over, read_blocks, sensors_named
from monitor.errors import ImportFileError
from monitor.farm import Sensor
from monitor.readings import Block, Doubt, Flag, Quantity, Reading

AIR = Sensor(id="air", quantity=Quantity.TEMPERATURE, spot="cellar")
DAMP = Sensor(id="damp", quantity=Quantity.HUMIDITY, spot="cellar")
NOW = datetime(2026, 6, 1, tzinfo=UTC)
FROM = datetime(2010, 1, 1, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")


def keep(_sensor: Sensor, value: float) -> tuple[float, Flag, Doubt]:
    """Keep every value as it is."""
    return value, Flag.PASS, Doubt.NONE


def bring_in(path: Path, wish: Wish) -> tuple[list[Reading], Tally, Manner]:
    """Look a file over and read it whole."""
    manner = look_over(path, wish)
    tally = Tally()
    blocks = read_blocks(path, wish, manner, judge=keep, now=NOW, records_from=FROM, tally=tally)
    return Block.concat(list(blocks)).readings(), tally, manner


def wish_for(zone: ZoneInfo | None = LISBON, **other: object) -> Wish:
    """Return a wish for one temperature column."""
    return Wish(time_column="time", columns={"temp": (AIR, 1.0, 0.0)}, zone=zone, **other)  # type: ignore[arg-type] # a test's shorthand


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    """Write a file and return its path."""
    path = folder / "logger.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_a_plain_file_comes_in_value_for_value(tmp_path: Path) -> None:
    """ISO times in a given zone and decimal points are read as they stand."""
    path = write(tmp_path, "time,temp\n2026-01-05 08:00:00,21.4\n2026-01-05 08:01:00,21.5\n")

    readings, tally, _ = bring_in(path, wish_for())

    assert [(row.measured_at, row.value) for row in readings] == [
        (datetime(2026, 1, 5, 8, 0, tzinfo=UTC), 21.4),
        (datetime(2026, 1, 5, 8, 1, tzinfo=UTC), 21.5),
    ]
    assert (tally.readings, tally.error_count, tally.missing) == (2, 0, 0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param(
            "time;temp\n05.01.2026 08:00;21,4\n25.01.2026 08:00;21,5\n", 21.4, id="semicolons, decimal commas"
        ),
        pytest.param("time\ttemp\n2026-01-05T08:00:00Z\t21.4\n", 21.4, id="tabs"),
        pytest.param('time,temp\n"2026-01-05 08:00","21,45"\n', 21.45, id="a decimal comma within quotes"),
        pytest.param("time,temp\n1767600000,21.4\n", 21.4, id="Unix seconds"),
        pytest.param("time,temp\n1767600000000,21.4\n", 21.4, id="Unix milliseconds"),
        pytest.param("time,temp,\n2026-01-05 08:00,21.4,\n", 21.4, id="a delimiter at the end of every line"),
        pytest.param('time,temp\n"1","2026-01-05 08:00",21.4\n"2","2026-01-05 08:01",21\n', 21.4, id="row numbers"),
        pytest.param("\ufefftime,temp\r\n2026-01-05 08:00,21.4\r\n", 21.4, id="byte order mark and CRLF"),
        pytest.param("time,temp\n01/05/2026 8:00 AM,21.4\n01/25/2026 8:00 AM,21.4\n", 21.4, id="month first, AM"),
    ],
)
def test_the_way_it_is_written_is_found_out(tmp_path: Path, text: str, expected: float) -> None:
    """Delimiter, decimal sign and time format are found where only one reading fits."""
    readings, tally, _ = bring_in(write(tmp_path, text), wish_for(ZoneInfo("UTC")))

    assert readings[0].value == expected
    assert readings[0].measured_at == datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
    assert tally.error_count == 0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("time,temp\n05/01/2026 08:00,21\n06/01/2026 08:00,21\n", "--time-format", id="day or month first"),
        pytest.param("time;temp\n2026-01-05 08:00;1,234\n", "--decimal", id="decimal comma or thousands"),
        pytest.param("time;temp\n2026-01-05 08:00;1,2\n2026-01-05 08:01;1.2\n", "both", id="comma and point"),
        pytest.param("when;temp\n2026-01-05 08:00;1\n", "no column 'time'", id="a column that is not there"),
        pytest.param("", "empty", id="an empty file"),
        pytest.param("time,temp\n", "--skip-lines", id="a header alone"),
        pytest.param("time,temp\nyesterday,1\n", "no known way", id="no time at all"),
        pytest.param("time,temp\n1,2,3,4,5\n1,2,3,4,5\n", "another number of fields", id="rows of another width"),
    ],
)
def test_what_can_be_read_two_ways_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """The text names the option that settles it, and nothing is read."""
    with pytest.raises(ImportFileError, match=says):
        bring_in(write(tmp_path, text), wish_for())


def test_a_given_format_settles_day_and_month(tmp_path: Path) -> None:
    """--time-format decides what the file leaves open."""
    path = write(tmp_path, "time,temp\n05/01/2026 08:00,21\n")

    readings, _, _ = bring_in(path, wish_for(ZoneInfo("UTC"), time_format="%m/%d/%Y %H:%M"))

    assert readings[0].measured_at == datetime(2026, 5, 1, 8, 0, tzinfo=UTC)


def test_a_late_row_settles_the_first(tmp_path: Path) -> None:
    """One 13th of a month anywhere in the file tells day from month for all rows."""
    rows = "".join(f"0{day}/01/2026 08:00,21\n" for day in range(1, 10)) + "13/01/2026 08:00,21\n"

    readings, _, _ = bring_in(write(tmp_path, "time,temp\n" + rows), wish_for(ZoneInfo("UTC")))

    assert readings[1].measured_at == datetime(2026, 1, 2, 8, 0, tzinfo=UTC)


def test_times_without_zone_are_refused(tmp_path: Path) -> None:
    """A wall-clock time alone is no instant."""
    path = write(tmp_path, "time,temp\n2026-01-05 08:00:00,21.4\n")

    with pytest.raises(ImportFileError, match="--zone"):
        bring_in(path, wish_for(zone=None))


def test_rows_in_error_are_reported_by_line_and_the_rest_kept(tmp_path: Path) -> None:
    """A torn row, a word for a number and a missing field cost themselves only."""
    path = write(
        tmp_path,
        "time,temp\n2026-01-05 08:00:00,21.4\n2026-01-05 08:01:00\nrubbish,21\n2026-01-05 08:03:00,warm\n"
        "2026-01-05 08:04:00,n/a\n2026-01-05 08:05:00,21.9\n" + "2026-01-05 08:06:00,22\n" * 60,
    )

    readings, tally, _ = bring_in(path, wish_for())

    assert [row.value for row in readings[:2]] == [21.4, 21.9]
    assert [line for line, _ in tally.errors] == [3, 4, 5]
    assert tally.missing == 1


def test_a_quoted_newline_does_not_shift_the_line_numbers(tmp_path: Path) -> None:
    """Line numbers are those of the file, also after a field that spans two lines."""
    path = write(tmp_path, 'time,note,temp\n2026-01-05 08:00,"a\nb",21\n2026-01-05 08:01,x,warm\n')

    _, tally, _ = bring_in(path, wish_for())

    assert [line for line, _ in tally.errors] == [4]


def test_the_hour_that_comes_twice_is_told_apart_by_order(tmp_path: Path) -> None:
    """Rows of 01:30 before and after 01:45 on the autumn change are an hour apart. [RFC5545] 3.3.5 for the first."""
    path = write(
        tmp_path, "time,temp\n2025-10-26 01:30,1\n2025-10-26 01:45,2\n2025-10-26 01:30,3\n2025-10-26 02:00,4\n"
    )

    readings, _, _ = bring_in(path, wish_for())

    assert [row.measured_at.strftime("%H:%M") for row in readings] == ["00:30", "00:45", "01:30", "02:00"]


def test_a_time_that_the_clock_change_skips_is_an_error_of_its_row(tmp_path: Path) -> None:
    """01:30 on the spring change does not exist in Lisbon."""
    path = write(tmp_path, "time,temp\n2026-03-29 00:30,1\n2026-03-29 01:30,2\n2026-03-29 02:30,3\n")

    readings, tally, _ = bring_in(path, wish_for())

    assert [row.value for row in readings] == [1, 3]
    assert tally.errors[0][0] == 3
    assert "does not exist" in tally.errors[0][1]


def test_an_odd_time_is_kept_and_marked(tmp_path: Path) -> None:
    """The import never replaces a time: one ahead of the clock and one long ago keep theirs."""
    path = write(tmp_path, "time,temp\n2005-01-01 00:00,1\n2027-01-01 00:00,2\n")

    readings, _, _ = bring_in(path, wish_for())

    assert [(row.measured_at.year, row.doubt) for row in readings] == [
        (2005, Doubt.CLOCK_BEHIND),
        (2027, Doubt.CLOCK_AHEAD),
    ]


def test_bytes_that_are_no_utf8_are_named_with_the_way_out(tmp_path: Path) -> None:
    """A degree sign in an old Western encoding is refused with the option that reads it."""
    path = write(tmp_path, "time,temp °C\n2026-01-05 08:00,21\n", encoding="cp1252")
    wish = Wish(time_column="time", columns={"temp °C": (AIR, 1.0, 0.0)}, zone=LISBON)

    with pytest.raises(ImportFileError, match="--encoding cp1252"):
        bring_in(path, wish)

    again = Wish(time_column="time", columns={"temp °C": (AIR, 1.0, 0.0)}, zone=LISBON, encoding="cp1252")
    assert bring_in(path, again)[0][0].value == 21


def test_lines_before_the_header_can_be_passed_over(tmp_path: Path) -> None:
    """--skip-lines counts in the line numbers of errors."""
    path = write(tmp_path, "Logger 7\nSerial 12\ntime,temp\n2026-01-05 08:00,21\n2026-01-05 08:01,warm\n")

    _, tally, _ = bring_in(path, wish_for(skip_lines=2))

    assert [line for line, _ in tally.errors] == [5]


def test_two_columns_feed_two_sensors_with_units(tmp_path: Path) -> None:
    """A factor and an offset turn each column into its stored unit."""
    path = write(tmp_path, "time,f,h\n2026-01-05 08:00,68,0.5\n")
    wish = Wish(time_column="time", columns={"f": (AIR, 5 / 9, -160 / 9), "h": (DAMP, 100.0, 0.0)}, zone=LISBON)

    readings, _, _ = bring_in(path, wish)

    assert [(row.sensor, round(row.value, 6)) for row in readings] == [("air", 20.0), ("damp", 50.0)]


def test_a_mapping_is_read_from_its_last_equals_sign() -> None:
    """Column names may hold an equals sign; a unit follows a colon."""
    assert sensors_named(["a=b=air:degF", "c=damp"]) == {"a=b": ("air", "degF"), "c": ("damp", None)}


@pytest.mark.parametrize(
    ("said", "says"),
    [
        (["temp"], "is not COLUMN=SENSOR"),
        (["a=x", "a=y"], "column 'a' twice"),
        (["a=x", "b=x"], "sensor 'x' two columns"),
    ],
)
def test_a_mapping_that_cannot_hold_is_refused(said: list[str], says: str) -> None:
    """One column feeds one sensor and the other way round."""
    with pytest.raises(ImportFileError, match=says):
        sensors_named(said)


def test_thousands_are_read_where_a_point_shows_them() -> None:
    """'1,234.5' settles that the comma parts thousands."""
    column = NumberColumn()
    for text in ("1,234", "1,234.5"):
        column.look_at(text)

    assert column.settle("x") == "."
    assert read_number("1,234.5", ".") == 1234.5


@pytest.mark.parametrize("text", ["nan", "inf", "-Infinity", "", "1 2"])
def test_what_is_no_number_is_none(text: str) -> None:
    """Not-a-number and infinity are no readings."""
    assert read_number(text, ".") is None


def test_a_time_with_an_offset_needs_no_zone() -> None:
    """An offset in the file is believed."""
    reader = TimeColumn()
    reader.look_at("2026-01-05T08:00:00+02:00")
    read = reader.settle()("2026-01-05T08:00:00+02:00")

    assert read is not None
    assert place_in_zone(read, None, None) == datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
