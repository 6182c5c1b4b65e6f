"""What could not be read is read again by a mended farm.toml: as if it had been right from the beginning, and once."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collectors.again import Again, Tried, sent_again
from collectors.asidefiles import FilesAgain
from collectors.folders import FolderCollector
from collectors.intake import Intake
from collectors.modbus import ModbusCollector
from collectors.pipeline import Message, Pipeline
from collectors.registers import Span
from collectors.seenfiles import WATCHED_FILE, SeenFiles
from monitor.errors import RejectedRowsError, StoreUnavailableError
from monitor.farm import Farm, Sensor
from monitor.readings import Block, Doubt, Flag, Quantity, Reading
from monitor.stores.influx import lines_of
from monitor.stores.lineread import reading_of_line
from monitor.stores.spool import Spool
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore
from monitor.unread import KEPT_BY_BROKER, REFUSED, Unread
from tests.support.farms import farm, sensor_text

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
LONG = (T0 - timedelta(days=900), T0 + timedelta(days=900))


def a_degree_less(sensor: Sensor, value: float, _at_ms: int) -> float:
    """Correct the thermometer."""
    return value - 1.0 if sensor.id == "air" else value


class Cellar:
    """A store with its quarantine, through which messages are put by one farm.toml and again by another."""

    def __init__(self, folder: Path, more: str) -> None:
        """Begin in a folder of its own."""
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.farm = self.mend(more)
        self.store = SqliteReadingStore(folder / READINGS_FILE)

    def mend(self, more: str) -> Farm:
        """Have another farm.toml from now on."""
        self.farm = farm(self.folder, more=more)
        return self.farm

    def intake(self) -> Intake:
        """Return an intake by the farm as it is now."""
        pipeline = Pipeline(
            self.farm, quarantine=self.store.quarantine, latest=self.store.latest, calibrate=a_degree_less
        )
        return Intake(pipeline, self.store)

    def hear(self, messages: list[Message]) -> None:
        """Take messages in, each by itself, as they come."""
        intake = self.intake()
        for each in messages:
            intake.take([each])

    def again(self) -> Tried:
        """Try again all that is set aside, and take out what could be read."""
        files = FilesAgain(self.farm, SeenFiles(self.folder / WATCHED_FILE))
        tried = Again(self.farm, self.store, calibrate=a_degree_less, files=files).read(self.store.unread.newest())
        self.store.unread.take_out(tried.read, reworded=tried.still)
        return tried

    def all(self) -> list[Reading]:
        """Return all that is stored."""
        return self.store.read(self.store.sensors(), *LONG).readings()


Opened = Callable[[str, str], Cellar]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Opened]:
    """Return what opens a cellar of some name by a farm.toml."""
    made: list[Cellar] = []

    def one(name: str, more: str) -> Cellar:
        made.append(Cellar(tmp_path / name, more))
        return made[-1]

    yield one
    for each in made:
        each.store.close()


WRONG = sensor_text("air", "temperature", "cellar", pointer="/temp")
RIGHT = sensor_text("air", "temperature", "cellar", pointer="/t")


def said(minute: float, value: float | str, *, retained: bool = False) -> Message:
    """Return what a device sent so many minutes after nine."""
    return Message("t/air", json.dumps({"t": value}).encode(), T0 + timedelta(minutes=minute), retained)


def test_what_is_read_again_is_what_a_right_farm_file_would_have_stored(opened: Opened) -> None:
    """Value, raw value, time of arrival, flags and doubts, with a spike and readings before and after in the store."""
    values = [20.0 + 0.01 * (n % 7) for n in range(90)]
    values[45] = 40.0  # a spike
    messages = [said(n, value) for n, value in enumerate(values)]
    right, mended = opened("right", RIGHT), opened("mended", RIGHT)
    right.hear(messages)
    mended.hear(messages[:30])
    mended.mend(WRONG)
    mended.hear(messages[30:60])
    mended.mend(RIGHT)
    mended.hear(messages[60:])
    lost = len(mended.all())
    tried = mended.again()

    assert (lost, len(tried.read), tried.still) == (120, 30, [])
    assert (tried.stored, tried.known) == (60, 0)
    assert mended.all() == right.all()
    assert {each.flag for each in mended.all() if each.sensor == "air"} == {Flag.PASS, Flag.FAIL}
    assert mended.store.quarantined() == ()


def test_a_second_try_finds_nothing_and_changes_nothing(opened: Opened) -> None:
    """What could be read is off the list; broken off before that, it is not stored twice."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0), said(1, 21.0)])
    before = cellar.store.unread.newest()
    cellar.mend(RIGHT)
    cellar.again()
    kept = cellar.all()
    for each in reversed(before):  # as if it had been broken off after it was stored
        cellar.store.quarantine(each.arrived_at, each.topic, each.payload, each.why)
    tried = cellar.again()

    assert (tried.stored, tried.known, len(tried.read)) == (0, 4, 2)
    assert cellar.again() == Tried()
    assert cellar.all() == kept


def test_what_still_cannot_be_read_stays_with_what_is_wrong_now(opened: Opened) -> None:
    """Nothing is lost; the reason is that of the farm.toml of now."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0), said(1, "warm")])
    cellar.mend(RIGHT)
    tried = cellar.again()
    (left,) = cellar.store.unread.newest()

    assert len(tried.read) == 1
    assert (left.payload, left.arrived_at) == (b'{"t": "warm"}', T0 + timedelta(minutes=1))
    assert "no number at '/t'" in left.why


def test_a_message_that_nobody_claims_any_more_stays_and_says_so(opened: Opened) -> None:
    """A sensor was taken out of farm.toml, or its topic renamed."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0)])
    cellar.mend("")
    cellar.again()

    assert [each.why for each in cellar.store.unread.newest()] == ["no sensor of farm.toml has this topic"]


def test_a_reading_that_came_since_is_not_overwritten(opened: Opened) -> None:
    """Half of a pack could be read when it came; that half was corrected since, and stays as it is."""
    two = WRONG.replace('"/temp"', '"/t"') + sensor_text("damp", "humidity", "cellar", pointer="/rel").replace(
        "t/damp", "t/air"
    )
    cellar = opened("one", two)
    cellar.hear([Message("t/air", b'{"t": 20, "rel": "?"}', T0)])
    first = cellar.all()
    corrected = Reading(sensor="air", measured_at=T0, value=17.5)
    cellar.store.append(Block.from_readings([corrected]))
    still = cellar.again()
    cellar.mend(two.replace("/rel", "/rh"))
    tried = cellar.again()

    assert (still.stored, len(still.read), len(still.still)) == (0, 0, 1)
    assert {each.sensor for each in first} == {"air", "air.raw"}
    assert (tried.stored, len(tried.read), len(tried.still)) == (0, 1, 0)
    assert corrected in cellar.all()


def test_a_message_that_the_broker_had_kept_is_not_taken_for_a_fresh_one(opened: Opened) -> None:
    """Its arrival says nothing of when it was measured: it is told so, and stays."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0, retained=True)])
    cellar.mend(RIGHT)
    cellar.again()
    cellar.again()
    (left,) = cellar.store.unread.newest()

    assert cellar.all() == []
    assert left.why == f"retained message without a time{KEPT_BY_BROKER}"


def test_a_number_that_has_gone_to_another_message_is_left_alone(opened: Opened) -> None:
    """SQLite gives the number of a deleted last row away again: what another process took out stays out, no more."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0)])
    before = cellar.store.unread.newest()
    cellar.store.unread.take_out(before)
    cellar.hear([said(1, 21.0)])
    after = cellar.store.unread.newest()
    cellar.store.unread.take_out(before, reworded=before)

    assert [each.id for each in before] == [each.id for each in after]
    assert cellar.store.unread.newest() == after


def test_a_store_that_fails_loses_nothing(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be stored stays set aside."""
    cellar = opened("one", WRONG)
    cellar.hear([said(0, 20.0)])
    cellar.mend(RIGHT)

    def fails(_block: Block) -> None:
        raise StoreUnavailableError("the disk of the test is full")

    with monkeypatch.context() as patched:
        patched.setattr(cellar.store, "append", fails)
        with pytest.raises(StoreUnavailableError, match="is full"):
            cellar.again()

    assert len(cellar.store.unread.newest()) == 1
    assert cellar.again().stored == 2


def test_it_may_be_tried_while_messages_go_on_coming_in(opened: Opened, tmp_path: Path) -> None:
    """Two connections to one file, as of two processes: every message is in the end stored once, or still listed."""
    cellar = opened("one", WRONG)
    done = threading.Event()

    def listen() -> None:
        with closing(SqliteReadingStore(cellar.folder / READINGS_FILE)) as store:
            pipeline = Pipeline(farm(tmp_path, more=WRONG), quarantine=store.quarantine, latest=store.latest)
            intake = Intake(pipeline, store)
            for minute in range(150):
                intake.take([said(minute, "warm" if minute % 10 == 0 else 20.0)])
        done.set()

    listener = threading.Thread(target=listen)
    listener.start()
    cellar.mend(RIGHT)
    while not done.is_set():
        cellar.again()
    listener.join()
    cellar.again()
    stored = [each.measured_at for each in cellar.all() if each.sensor == "air"]

    assert stored == [T0 + timedelta(minutes=n) for n in range(150) if n % 10]
    assert [each.payload for each in cellar.store.unread.newest()] == [b'{"t": "warm"}'] * 15


LINE = """
{sensor}
[[modbus]]
id = "bus"
host = "127.0.0.1"
[[register]]
sensor = "air"
line = "bus"
address = 4
scale = {scale}
"""


def test_registers_are_read_again_out_of_the_words_that_came(opened: Opened) -> None:
    """The unit of the sensor was none of its quantity; the words are kept, and so is the instant."""
    sensor = '[[sensor]]\nid = "air"\nquantity = "temperature"\nspot = "cellar"\nunit = "%s"\n'
    cellar = opened("one", LINE.format(sensor=sensor % "Cel", scale=0.1))
    (line,) = cellar.farm.feeds.lines.values()
    register = cellar.farm.feeds.registers[0]
    span = Span(device=1, table="holding", address=4, count=1, registers=(register,))
    collector = ModbusCollector(line, [register], cellar.farm.sensors, cellar.intake(), clock=lambda: T0)
    words = collector._message(span, [215]).payload
    cellar.store.quarantine(T0, "modbus/bus", words, "no unit of a temperature: 'lx'")
    tried = cellar.again()

    assert (tried.stored, len(tried.read)) == (2, 1)
    assert [(each.sensor, each.value, each.measured_at) for each in cellar.all()] == [
        ("air", pytest.approx(20.5), T0),
        ("air.raw", 21.5, T0),
    ]


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        pytest.param(
            b'{"unit": 1, "holding": {"address": 90, "words": [1, 2]}}',
            "holding registers 90 to 91",
            id="another place",
        ),
        pytest.param(b"[1]", "as it was", id="no words"),
        pytest.param(b'{"unit": 1, "holding": {"address": 4, "words": ["x"]}}', "required argument", id="no numbers"),
    ],
)
def test_registers_that_stand_nowhere_any_more_stay(opened: Opened, payload: bytes, says: str) -> None:
    """A register map that was changed meanwhile."""
    sensor = '[[sensor]]\nid = "air"\nquantity = "temperature"\nspot = "cellar"\n'
    cellar = opened("one", LINE.format(sensor=sensor, scale=1.0))
    cellar.store.quarantine(T0, "modbus/bus", payload, "as it was")
    tried = cellar.again()

    assert [says in each.why for each in tried.still] == [True]


FOLDER = """
{sensors}
[[folder]]
id = "loggers"
path = "in"
time = "date"
columns = ["Temp=air"]
time_zone = "UTC"
settle_s = 30
"""


def watched(cellar: Cellar) -> FolderCollector:
    """Return the collector of the cellar's folder."""
    seen = SeenFiles(cellar.folder / WATCHED_FILE)
    folders = list(cellar.farm.feeds.folders.values())
    return FolderCollector(folders, cellar.farm.sensors, cellar.intake(), clock=lambda: T0, seen=seen)


def look(cellar: Cellar) -> None:
    """Have the folder looked into, twice, so that its files are at rest."""
    collector = watched(cellar)
    collector.look(T0)
    collector.look(T0 + timedelta(seconds=31))


def test_lines_of_a_file_are_read_again_where_it_lies(opened: Opened) -> None:
    """Those that were mended in the file are stored with their own times; the others stay, also beyond the fifty."""
    cellar = opened("one", FOLDER.format(sensors=sensor_text("air", "temperature", "cellar")))
    (cellar.folder / "in").mkdir()
    file = cellar.folder / "in" / "march.csv"
    lines = [f"2026-03-02T08:{n:02d}:00Z;{'warm' if n % 2 else 20 + n / 10}" for n in range(60)]
    lines += [f"2026-03-02T0{5 + n // 60}:{n % 60:02d}:30Z;warm" for n in range(100)]
    file.write_text("date;Temp\n" + "\n".join(lines) + "\n", encoding="utf-8")
    look(cellar)
    stored, aside = cellar.store.count(), len(cellar.store.unread.newest())
    mended = "date;Temp\n" + "\n".join(lines).replace("warm", "19.5", 20).replace("warm;", "") + "\n"
    file.write_text(mended, encoding="utf-8")
    some = cellar.again()
    file.write_text(mended.replace("warm", "19.5"), encoding="utf-8")
    rest = cellar.again()

    assert (stored, aside) == (60, 50)
    assert (len(some.read), len(some.still), some.stored) == (20, 30, 40)
    assert (len(rest.read), rest.stored, rest.still) == (30, 220, [])
    assert cellar.store.count() == 2 * 160
    assert cellar.store.unread.newest() == []


def test_a_file_that_was_put_back_is_off_the_list_and_one_that_lies_aside_is_not(opened: Opened) -> None:
    """The watched folder reads it itself; the list only follows."""
    cellar = opened("one", FOLDER.format(sensors=sensor_text("air", "temperature", "cellar")))
    (cellar.folder / "in").mkdir()
    for name in ("one.csv", "two.csv"):
        (cellar.folder / "in" / name).write_text("when;Temp\n2026-03-02T08:00:00Z;20\n", encoding="utf-8")
    look(cellar)
    (cellar.folder / "in" / "one.csv").write_text("date;Temp\n2026-03-02T08:00:00Z;20\n", encoding="utf-8")
    look(cellar)
    tried = cellar.again()

    assert [each.payload for each in tried.read] == [b"one.csv"]
    assert [each.payload for each in tried.still] == [b"two.csv"]
    assert str(cellar.folder / "in" / "set-aside" / "two.csv") in tried.still[0].why


def test_a_file_or_folder_that_is_gone_says_so(opened: Opened) -> None:
    """Its lines stay on the list."""
    cellar = opened("one", FOLDER.format(sensors=sensor_text("air", "temperature", "cellar")))
    (cellar.folder / "in").mkdir()
    (cellar.folder / "in" / "short.csv").write_text("date;Temp\n2026-03-02T08:00:00Z;20\n", encoding="utf-8")
    for payload in (b"gone.csv, line 2", b"short.csv, line 9"):
        cellar.store.quarantine(T0, "file/loggers", payload, "as it was")
    cellar.store.quarantine(T0, "file/others", b"x.csv, line 2", "as it was")
    whys = [each.why for each in cellar.again().still]

    assert "gone.csv cannot be read again" in whys[0]
    assert whys[1:] == ["short.csv has no line 9 any more", "farm.toml has no folder 'others' any more"]


def refused(*values: float) -> list[Unread]:
    """Return rows of a minute each as an InfluxDB refused them."""
    block = Block.from_readings(
        Reading(
            sensor="air, by the door", measured_at=T0 + timedelta(minutes=n), value=value, flag=Flag.SUSPECT,
            doubt=Doubt.SPIKE,
        )
        for n, value in enumerate(values)
    )  # fmt: skip
    lines = lines_of(block, {"air, by the door": (Quantity.TEMPERATURE, "cellar/1 left")})
    return [Unread(id=n, arrived_at=T0, topic=REFUSED, payload=line.encode(), why="no") for n, line in enumerate(lines)]


def test_a_line_of_the_line_protocol_reads_back_as_its_reading() -> None:
    """Escaped names, flags and doubts; what was cut off is none."""
    (row,) = refused(-0.1)
    read = reading_of_line(row.payload.decode())

    assert read == Reading(sensor="air, by the door", measured_at=T0, value=-0.1, flag=Flag.SUSPECT, doubt=Doubt.SPIKE)
    assert reading_of_line(row.payload.decode()[:-20]) is None


def test_rows_that_a_server_refused_go_in_when_it_takes_them(tmp_path: Path) -> None:
    """One it has by now, newer; one it refuses again and one that cannot be read stay; the rest is there."""
    rows = [*refused(20.0, 21.0, 22.0), Unread(id=9, arrived_at=T0, topic=REFUSED, payload=b"cut", why="old words")]
    with closing(SqliteReadingStore(tmp_path / READINGS_FILE)) as store:
        newer = Reading(sensor="air, by the door", measured_at=T0, value=19.0)
        store.append(Block.from_readings([newer]))

        def append(block: Block) -> None:
            bad = [n for n, each in enumerate(block.readings()) if each.value == 22.0]
            store.append(block.rows(slice(0, bad[0])))
            raise RejectedRowsError([(rows[2].payload.decode(), "field type conflict")])

        tried = sent_again(rows, store, append)
        kept = store.read(["air, by the door"], *LONG).readings()

    assert [each.id for each in tried.read] == [0, 1]
    assert [(each.id, each.why) for each in tried.still] == [(2, "field type conflict"), (9, "old words")]
    assert (tried.stored, tried.known) == (1, 1)
    assert [each.value for each in kept] == [19.0, 21.0]


def test_the_spool_lets_go_of_refused_rows_that_are_stored_now(tmp_path: Path) -> None:
    """The others stay, newest first, with their instant."""
    with closing(Spool(tmp_path / "spool.db", most_bytes=10**7)) as spool:
        spool.done([], [("row 1", "no"), ("row 2", "never"), ("row 3", "no")], at=T0)
        listed = spool.unread()
        spool.take_out([listed[1]])
        left = spool.unread()

    assert [(each.payload, each.why, each.arrived_at, each.topic) for each in left] == [
        (b"row 3", "no", T0, REFUSED),
        (b"row 1", "no", T0, REFUSED),
    ]
