"""One suite for every place where readings are kept: rows, compacted files, both at once, and a real InfluxDB."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeVar

import pytest

from monitor.errors import StoreError
from monitor.farm import InfluxSettings
from monitor.readings import Block, Doubt, Flag, Quantity, Reading
from monitor.rolling import Rolled, Width
from monitor.stores.influx import InfluxReadingStore, tag
from monitor.stores.protocol import ReadingStore
from monitor.stores.rolled import rolled_on_read
from monitor.stores.spooled import SpooledReadingStore
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.influx import influx_server
from tests.support.needs import require_binary

T = TypeVar("T")
T0 = datetime(2026, 3, 2, 7, 30, 0, 123000, tzinfo=UTC)
WHERE = {"air": (Quantity.TEMPERATURE, "cellar"), "damp": (Quantity.HUMIDITY, "cellar/1/2")}


@pytest.fixture(scope="module")
def influx_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start one InfluxDB for the suite."""
    with influx_server(require_binary("influxd"), tmp_path_factory.mktemp("influx")) as url:
        yield url


ON_INFLUX = [pytest.mark.live, pytest.mark.xdist_group("influx")]


class Compacting(SqliteReadingStore):
    """A store that moves every row into files before anything is read, so that nothing but files is read."""

    moved = True

    def append(self, block: Block) -> None:
        """Keep a block."""
        super().append(block)
        self.moved = False

    def rebuild_rolled(self) -> int:
        """Compact, and rebuild."""
        self.count()
        return super().rebuild_rolled()

    def roll_up(self, until: datetime) -> int:
        """Compact, and roll up."""
        self.count()
        return super().roll_up(until)

    def _steadily(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Compact, and read."""
        if not self.moved:
            self.moved = True
            self.compact(datetime(9999, 1, 1, tzinfo=UTC), now=T0)
        return super()._steadily(work)


class Halfway(SqliteReadingStore):
    """A store that compacts what lies before the middle of what the tests write, after every other append."""

    appended = 0

    def append(self, block: Block) -> None:
        """Keep a block, and sometimes compact."""
        super().append(block)
        self.appended += 1
        if self.appended % 2:
            self.compact(T0 + timedelta(minutes=1.5), now=T0)


ON_DISK = {"sqlite": SqliteReadingStore, "compacting": Compacting, "halfway": Halfway}


@pytest.fixture(params=[*ON_DISK, pytest.param("influx", marks=ON_INFLUX), pytest.param("spooled", marks=ON_INFLUX)])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ReadingStore]:
    """Return an empty store of each kind."""
    opened: ReadingStore
    if request.param in ON_DISK:
        opened = ON_DISK[request.param](tmp_path / "readings.db")
    else:
        url = request.getfixturevalue("influx_url")
        name = f"db{abs(hash(request.node.name)) % 10**8}"
        import urllib.parse
        import urllib.request

        query = urllib.parse.urlencode({"q": f"CREATE DATABASE {name}"})
        urllib.request.urlopen(f"{url}/query?{query}", data=b"", timeout=10).close()
        server = InfluxReadingStore(InfluxSettings(url=url, database=name), "", WHERE)
        opened = server if request.param == "influx" else SpooledReadingStore(server, tmp_path, most_bytes=10_000_000)
    yield opened
    opened.close()


def reading(minute: float, value: float = 20.0, sensor: str = "air", flag: Flag = Flag.PASS) -> Reading:
    """Return one reading."""
    return Reading(sensor=sensor, measured_at=T0 + timedelta(minutes=minute), value=value, flag=flag)


def read(store: ReadingStore, *sensors: str, start: float = -1e5, end: float = 1e7) -> list[Reading]:
    """Return what a store holds of some sensors."""
    return store.read(sensors, T0 + timedelta(minutes=start), T0 + timedelta(minutes=end)).readings()


def test_what_goes_in_comes_out(store: ReadingStore) -> None:
    """Value, flag, doubt and the millisecond are kept."""
    odd = Reading(
        sensor="air", measured_at=T0, value=-3.25, flag=Flag.FAIL, doubt=Doubt.ARRIVAL_TIME | Doubt.OUT_OF_SPAN
    )
    store.append(Block.from_readings([odd]))

    assert read(store, "air") == [odd]


def test_the_same_reading_twice_is_one(store: ReadingStore) -> None:
    """A block appended again changes nothing."""
    block = Block.from_readings([reading(0), reading(1), reading(0, 50, "damp")])
    store.append(block)
    store.append(block)

    assert store.count() == 3


def test_the_later_of_two_wins(store: ReadingStore) -> None:
    """A corrected value or flag of the same instant takes its place."""
    store.append(Block.from_readings([reading(0, 20.0)]))
    store.append(Block.from_readings([reading(0, 21.0, flag=Flag.SUSPECT)]))

    assert [(row.value, row.flag) for row in read(store, "air")] == [(21.0, Flag.SUSPECT)]


def test_spans_are_half_open_and_ordered(store: ReadingStore) -> None:
    """The start is in, the end is not; sensors as asked for, instants ascending, whatever the order of writing."""
    store.append(Block.from_readings([reading(minute) for minute in (3, 1, 2, 0)]))
    store.append(Block.from_readings([reading(1, 55.0, "damp")]))

    rows = read(store, "damp", "air", start=1, end=3)

    assert [(row.sensor, row.measured_at) for row in rows] == [
        ("damp", T0 + timedelta(minutes=1)),
        ("air", T0 + timedelta(minutes=1)),
        ("air", T0 + timedelta(minutes=2)),
    ]


def test_an_unknown_sensor_has_no_rows(store: ReadingStore) -> None:
    """A name never heard of is no error."""
    assert read(store, "nobody") == []
    assert store.latest(["nobody"]) == {}
    assert store.read(["nobody"], T0, T0 + timedelta(days=1)).sensors == ("nobody",)


def test_an_empty_block_is_nothing(store: ReadingStore) -> None:
    """Nothing in, nothing out."""
    store.append(Block.from_readings([]))

    assert (store.count(), store.sensors()) == (0, ())


def test_the_newest_of_each(store: ReadingStore) -> None:
    """Newest by instant, not by order of writing."""
    store.append(Block.from_readings([reading(9, 22.0), reading(4, 50.0, "damp")]))
    store.append(Block.from_readings([reading(2, 18.0)]))

    assert {name: row.value for name, row in store.latest(["air", "damp"]).items()} == {"air": 22.0, "damp": 50.0}
    assert store.sensors() == ("air", "damp")


def test_milliseconds_hold_in_a_far_year(store: ReadingStore) -> None:
    """Past 2038, and half a second apart."""
    instants = [datetime(2055, 1, 1, 0, 0, 0, ms * 1000, tzinfo=UTC) for ms in (0, 500)]
    far = [Reading(sensor="air", measured_at=at, value=1.0) for at in instants]
    store.append(Block.from_readings(far))

    rows = store.read(["air"], datetime(2054, 1, 1, tzinfo=UTC), datetime(2056, 1, 1, tzinfo=UTC)).readings()

    assert [row.measured_at.microsecond for row in rows] == [0, 500_000]


@pytest.mark.parametrize("chunk", [1, 7, 500])
def test_chunks_do_not_matter(store: ReadingStore, chunk: int) -> None:
    """However a series is cut into blocks, the same is kept."""
    rows = [reading(minute, 20 + minute / 100) for minute in range(120)]
    for start in range(0, len(rows), chunk):
        store.append(Block.from_readings(rows[start : start + chunk]))

    assert read(store, "air") == rows


DAY = timedelta(days=1)


def rolled(store: ReadingStore, *sensors: str, width: Width = Width.FIVE_MINUTES) -> Rolled:
    """Return what is rolled up of three days."""
    return store.rolled(sensors, T0 - DAY, T0 + 2 * DAY, width)


def assert_true_to_the_readings(store: ReadingStore, *sensors: str) -> None:
    """Compare what is rolled up with the readings themselves, at both widths, to the last bit."""
    for width in Width:
        expected = rolled_on_read(store.read, sensors, T0 - DAY, T0 + 2 * DAY, width)
        found = rolled(store, *sensors, width=width)
        assert found.sensors == expected.sensors
        for name in ("sensor_index", "from_ms", "count", "good", "low", "mean", "high"):
            assert getattr(found, name).tobytes() == getattr(expected, name).tobytes(), (width, name)


def test_rolled_up_series_are_ordered_and_leave_gaps(store: ReadingStore) -> None:
    """Sensors as asked for, bins ascending, none where nothing was measured, none for an unknown sensor."""
    store.append(Block.from_readings([reading(minute, 20 + minute) for minute in (0, 1, 30)]))
    store.append(Block.from_readings([reading(1, 55.0, "damp")]))

    found = rolled(store, "damp", "nobody", "air")

    assert found.sensors == ("damp", "nobody", "air")
    assert found.sensor_index.tolist() == [0, 2, 2]
    assert found.mean.tolist() == [55.0, 20.5, 50.0]
    assert rolled(store, "air", width=Width.HOUR).count.tolist() == [2, 1]


def test_a_span_gets_whole_bins(store: ReadingStore) -> None:
    """Every bin that shares time with it, though the readings in it lie before."""
    store.append(Block.from_readings([reading(minute) for minute in (0, 6, 12)]))  # 07:30, 07:36, 07:42

    found = store.rolled(["air"], T0 + timedelta(minutes=8), T0 + timedelta(minutes=9), Width.FIVE_MINUTES)

    assert found.count.tolist() == [1]


def test_rolled_up_series_follow_late_corrected_and_revised_readings(store: ReadingStore) -> None:
    """Rolled up in between or not, they are true to what is kept."""
    rows = [reading(minute, round(20 + minute / 100, 2)) for minute in range(0, 2000, 2)]
    store.append(Block.from_readings(rows))
    assert_true_to_the_readings(store, "air", "damp")
    store.roll_up(T0 + 5 * DAY)
    assert_true_to_the_readings(store, "air", "damp")

    store.append(Block.from_readings([reading(minute, 1 / 3) for minute in (1, 3, 1441)]))  # late
    assert_true_to_the_readings(store, "air", "damp")
    store.append(Block.from_readings([reading(4, 99.0), reading(6, 20.06, flag=Flag.FAIL)]))  # corrected, revised
    assert_true_to_the_readings(store, "air", "damp")
    store.roll_up(T0 + 5 * DAY)
    assert_true_to_the_readings(store, "air", "damp")

    assert rolled(store, "air").high.max() == 99.0


def test_rebuilding_changes_nothing_that_is_true(store: ReadingStore) -> None:
    """All days are worked out afresh."""
    store.append(Block.from_readings([reading(minute) for minute in range(0, 3000, 5)]))
    store.roll_up(T0 + 5 * DAY)

    done = store.rebuild_rolled()

    assert_true_to_the_readings(store, "air")
    assert done == (0 if isinstance(store, InfluxReadingStore | SpooledReadingStore) else 3)


@pytest.mark.live
@pytest.mark.xdist_group("influx")
def test_an_unknown_database_is_noticed_at_the_start(influx_url: str) -> None:
    """InfluxDB answers 200 and nothing for one; we look for it first."""
    with pytest.raises(StoreError, match="has no database 'nowhere'"):
        InfluxReadingStore(InfluxSettings(url=influx_url, database="nowhere"), "", WHERE)


def test_names_that_a_tag_cannot_carry_are_refused() -> None:
    """Blanks, commas and equals signs are escaped; line ends and backslashes refused."""
    assert tag("a b,c=d") == "a\\ b\\,c\\=d"
    with pytest.raises(StoreError, match="cannot be a name"):
        tag("a\nb")


@pytest.mark.live
@pytest.mark.xdist_group("influx")
def test_a_value_handed_over_again_leaves_a_found_flag_alone(influx_url: str) -> None:
    """Who collects a part of a series leaves its flags to who sees all of it; a redelivery takes none back."""
    settings = InfluxSettings(url=influx_url, database="saltcellar")
    where = {"parted": (Quantity.TEMPERATURE, "cellar")}
    store = InfluxReadingStore(settings, "", where, flags_later=True)
    came = Reading(sensor="parted", measured_at=T0, value=21.5)
    early = Reading(sensor="parted", measured_at=T0 + timedelta(minutes=1), value=21.6, doubt=Doubt.ARRIVAL_TIME)
    store.append(Block.from_readings([came, early]))
    unjudged = store.read(["parted"], T0, T0 + timedelta(hours=1)).readings()

    store.append_flags(Block.from_readings([replace(came, flag=Flag.SUSPECT, doubt=Doubt.SPIKE)]))
    store.append(Block.from_readings([came]))
    after = store.read(["parted"], T0, T0 + timedelta(hours=1)).readings()
    store.close()

    assert unjudged == [came, early]
    assert [(each.value, each.flag, each.doubt) for each in after] == [
        (21.5, Flag.SUSPECT, Doubt.SPIKE),
        (21.6, Flag.NOT_EVALUATED, Doubt.ARRIVAL_TIME),
    ]


@pytest.mark.live
@pytest.mark.xdist_group("influx")
def test_a_flag_of_a_sensor_that_was_moved_since_makes_no_reading_of_its_own(influx_url: str) -> None:
    """Its new room tags the flag, its old one the value: both are one reading; a flag of nothing is none."""
    settings = InfluxSettings(url=influx_url, database="saltcellar")
    rooms = [{"carried": (Quantity.TEMPERATURE, room)} for room in ("cellar", "attic")]
    before, after = (InfluxReadingStore(settings, "", room, flags_later=True) for room in rooms)
    came = [Reading(sensor="carried", measured_at=T0 + timedelta(minutes=n), value=21.5 + n) for n in range(3)]
    before.append(Block.from_readings(came))
    found = [replace(each, flag=Flag.SUSPECT, doubt=Doubt.SPIKE) for each in came[1:]]
    nothing = Reading(sensor="carried", measured_at=T0 + timedelta(minutes=1.5), value=0.0, flag=Flag.FAIL)

    after.append_flags(Block.from_readings([*found, nothing]))
    read_back = after.read(["carried"], T0, T0 + timedelta(hours=1)).readings()
    newest = after.latest(["carried"])
    for each in (before, after):
        each.close()

    assert read_back == [came[0], *found]
    assert newest == {"carried": found[-1]}


@pytest.mark.live
@pytest.mark.xdist_group("influx")
def test_most_sensors_of_a_quantity_are_asked_for_in_one_question(influx_url: str) -> None:
    """Those that were not asked for are left out."""
    settings = InfluxSettings(url=influx_url, database="saltcellar")
    names = [f"tray-{n}" for n in range(80)]
    store = InfluxReadingStore(settings, "", dict.fromkeys(names, (Quantity.WEIGHT, "cellar")))
    store.append(Block.from_readings([Reading(sensor=name, measured_at=T0, value=900.0) for name in names]))

    found = store.read(names[:60], T0, T0 + timedelta(hours=1))
    newest = store.latest(names[:60])
    store.close()

    assert {each.sensor for each in found.readings()} == set(names[:60])
    assert set(newest) == set(names[:60])
