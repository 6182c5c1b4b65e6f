"""The first rules: quiet in a good week, loud once where something is wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from alerts.alarms import TRANSITIONS, Alarm, AlarmState, Happening, move, step
from alerts.findings import Finding, Priority, Tick
from alerts.stages import look, news_of
from alerts.watch import unanswered
from monitor.farm import Farm
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.live import LiveBuffer
from monitor.phases import phase_now
from monitor.profilefile import shipped_profiles
from monitor.reach import sensors_for
from monitor.readings import Block, Flag, Quantity, Reading
from monitor.scales import Scales
from tests.support.farms import Book, farm, sensor_text

PROFILES = shipped_profiles()
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
MINUTE_MS = 60_000
Course = Callable[[np.ndarray], np.ndarray]

# 60 trays of 9 crops: (crop, trays, shelf, sown so many days before the week, uncovered after, lit after).
CROPS = [
    ("radish", 8, "1/1", 5, 2, 3),
    ("broccoli", 6, "1/1", 2, None, None),
    ("basil", 8, "1/2", 3, None, None),
    ("basil-thai", 6, "1/2", 8, 5, 7),
    ("pea", 8, "1/3", 4, 3, None),
    ("sunflower", 6, "2/1", 1, None, None),
    ("rocket", 6, "2/1", 6, 2, 3),
    ("coriander", 6, "2/2", 10, 7, 9),
    ("red-cabbage", 6, "2/3", 3, 3, None),
]


def full_farm(folder: Path) -> Farm:
    """Return the cellar with air, humidity and light on every shelf, and a thermometer in the cold store."""
    texts = [sensor_text("cold-air", "temperature", "cold")]
    for rack in (1, 2):
        for shelf in (1, 2, 3):
            spot = f"cellar/{rack}/{shelf}"
            texts += [
                sensor_text(f"t{rack}{shelf}", "temperature", spot),
                sensor_text(f"h{rack}{shelf}", "humidity", spot),
                sensor_text(f"l{rack}{shelf}", "light", spot),
            ]
    return farm(folder, more="\n".join(texts))


def sixty_trays() -> Book:
    """Return the book of sixty trays in mixed phases."""
    book = Book()
    for number, (crop, trays, shelf, ago, uncovered, lit) in enumerate(CROPS, start=1):
        batch, sown_at = str(number), START - timedelta(days=ago)
        book.sow(sown_at, crop, trays, batch, spot=f"cellar/{shelf}")
        if uncovered is not None:
            book.add(EntryKind.UNCOVERED, sown_at + timedelta(days=uncovered), batch)
        if lit is not None:
            book.add(EntryKind.LIGHTS_ON, sown_at + timedelta(days=lit), batch)
    return book


class Week:
    """A week of readings, each minute, that a test can bend."""

    def __init__(self, where: Farm, seed: int = 3) -> None:
        """Make good conditions: 20 to 23 degC with the lamps, 52 to 64 %RH, lamps on time."""
        self.farm = where
        self.minutes = np.arange(0, 7 * 24 * 60)
        self.noise = np.random.default_rng(seed)
        zone = ZoneInfo("Europe/Lisbon")
        offset = START.astimezone(zone).utcoffset() or timedelta()
        hour = (START.hour + offset.total_seconds() / 3600 + self.minutes / 60) % 24
        self.lit = (hour >= 6) & (hour < 22)
        self.values: dict[str, np.ndarray] = {}
        for sensor in where.sensors.values():
            self.values[sensor.id] = self._good(sensor.id, sensor.quantity)

    def _good(self, name: str, quantity: Quantity) -> np.ndarray:
        """Return a good week of one sensor."""
        noise = self.noise.normal(0, 1, len(self.minutes))
        if name == "cold-air":
            return 3.0 + 0.3 * noise
        warm = 1.5 if name[1:] in ("12",) else 0.0  # the basil shelf is the warm one
        if quantity is Quantity.TEMPERATURE:
            return 20.6 + warm + 1.4 * self.lit + 0.15 * noise
        if quantity is Quantity.HUMIDITY:
            return 60.0 - 5.0 * self.lit + 1.0 * noise
        return np.where(self.lit, 9000.0 + 80 * noise, 1.0)

    def block(self, start: int, end: int) -> Block:
        """Return the readings of some minutes."""
        names = tuple(self.values)
        count = end - start
        at = to_ms_of(START) + self.minutes[start:end] * MINUTE_MS
        value = np.concatenate([self.values[name][start:end] for name in names])
        kept = ~np.isnan(value)
        return Block(
            sensors=names,
            sensor_index=np.repeat(np.arange(len(names), dtype=np.int32), count)[kept],
            measured_at_ms=np.tile(at.astype(np.int64), len(names))[kept],
            value=value[kept],
            flag=np.full(int(kept.sum()), int(Flag.PASS), dtype=np.int8),
            doubt=np.zeros(int(kept.sum()), dtype=np.int16),
        )

    def told(self, book: Book, *, every: int = 10, until: int | None = None) -> list[str]:
        """Return the titles of all news of the week, judged every few minutes."""
        live, alarms, titles = LiveBuffer(), dict[str, Alarm](), []
        scales = Scales(self.farm.sensors)
        for minute in range(every, until or len(self.minutes), every):
            live.take(self.block(minute - every, minute))
            scales.take(self.block(minute - every, minute))
            now = START + timedelta(minutes=minute)
            entries = [entry for entry in book.entries if entry.at <= now]
            tick = Tick(
                now=now,
                farm=self.farm,
                profiles=PROFILES,
                batches=fold(entries),
                live=live,
                watching_since=START,
                scales=scales,
            )
            after = step(alarms, look(tick), now)
            titles += [f"{news.title}|{news.priority.name}|{news.text}" for news in news_of(alarms, after, tick)]
            alarms = after
        return titles


def to_ms_of(instant: datetime) -> int:
    """Return an instant in ms."""
    return int(instant.timestamp() * 1000)


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    """Return the farm with sensors."""
    return full_farm(tmp_path_factory.mktemp("farm"))


def test_a_good_week_raises_nothing(cellar: Farm) -> None:
    """Sixty trays of nine crops in mixed phases on lit racks for a week: no alarm at all."""
    assert sum(trays for _, trays, *_ in CROPS) == 60
    assert len({crop for crop, *_ in CROPS}) == 9
    assert Week(cellar).told(sixty_trays()) == []


def test_a_dead_heater_is_told_once_and_names_the_worst_harmed(cellar: Farm) -> None:
    """Falling to 9 degC in the night: drifting, a note, then one urgent message that leads with basil."""
    week = Week(cellar)
    fall = np.clip((week.minutes - 3000) / 60, 0, 14) * 1.0
    for name in week.values:
        if name.startswith("t"):
            week.values[name] = week.values[name] - fall

    told = week.told(sixty_trays(), until=4400)

    assert [(line.split(":")[0], line.split("|")[1]) for line in told] == [
        ("Drifting out", "URGENT"), ("Too cold", "MEDIUM"), ("Too cold", "URGENT"),
    ]  # fmt: skip
    assert all("basil" in line.split("|")[2].split(";")[1] for line in told)


def test_one_minute_of_open_door_is_nothing(cellar: Farm) -> None:
    """Eight minutes of cold air are over before anyone is told."""
    week = Week(cellar)
    for name in week.values:
        if name.startswith("t"):
            week.values[name][2000:2008] = 8.0

    assert week.told(sixty_trays(), until=2300) == []


def test_a_dark_lamp_is_told(cellar: Farm) -> None:
    """Rack 1 shelf 1 dark at noon, where radish stands in the light."""
    week = Week(cellar)
    week.values["l11"][1800:2400] = 0.0

    told = week.told(sixty_trays(), until=2400)

    assert [line.split("|")[0] for line in told] == ["Lamp is off: rack 1 shelf 1"]


def test_covered_trays_raise_neither_light_nor_dryness(cellar: Farm) -> None:
    """Shelf 2/3 has only covered trays: bright light and 20 %RH there say nothing of them."""
    week = Week(cellar)
    week.values["h23"][:] = 20.0
    week.values["l23"][:] = 9000.0
    book = Book()
    book.sow(START - timedelta(days=1), "sunflower", 6, spot="cellar/2/3")

    assert week.told(book, until=600) == []


def test_darkness_of_a_covered_tray_is_not_measured(cellar: Farm) -> None:
    """No sensor speaks for its light and humidity; the air's temperature stands in."""
    book = sixty_trays()
    batch = fold(book.entries)["3"]
    span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=START, zone=book.zone)

    assert sensors_for(cellar, "cellar/1/2", span, Quantity.LIGHT) == ()
    assert sensors_for(cellar, "cellar/1/2", span, Quantity.HUMIDITY) == ()
    assert [s.id for s in sensors_for(cellar, "cellar/1/2", span, Quantity.TEMPERATURE)] == ["t12"]


def test_a_sensor_that_jumps_raises_itself_and_no_alarm_of_the_room(cellar: Farm) -> None:
    """Every other reading 30 degrees off, flagged as it came: its own finding, not too hot and not too cold."""
    live = LiveBuffer()
    for place in range(40):
        at = START + timedelta(minutes=place)
        flag = Flag.FAIL if place % 2 else Flag.PASS
        value = 55.0 if place % 2 else 21.0
        live.take(Block.from_readings([Reading(sensor="t11", measured_at=at, value=value, flag=flag)]))
    now = START + timedelta(minutes=40)
    tick = Tick(
        now=now, farm=cellar, profiles=PROFILES, batches=fold(sixty_trays().entries), live=live, watching_since=now
    )  # fmt: skip
    about = [finding.rule for finding in look(tick) if finding.sensor == "t11"]

    assert about == ["sensor cannot be right"]


@pytest.mark.parametrize(
    ("every", "rules"),
    [
        pytest.param(timedelta(minutes=10), ["sensor cannot be right"], id="every ten minutes: by the last hour"),
        pytest.param(timedelta(hours=1), ["sensor cannot be right"], id="hourly: by its last readings"),
    ],
)
def test_a_sensor_that_speaks_rarely_raises_itself_too(cellar: Farm, every: timedelta, rules: list[str]) -> None:
    """Ten readings of 70 degC, which no room has: the last hour of an hourly one holds a single one of them."""
    live = LiveBuffer()
    readings = [
        Reading(sensor="t11", measured_at=START + place * every, value=70.0, flag=Flag.FAIL) for place in range(10)
    ]
    live.take(Block.from_readings(readings))
    now = START + 9 * every
    tick = Tick(now=now, farm=cellar, profiles=PROFILES, batches={}, live=live, watching_since=now)

    assert [finding.rule for finding in look(tick) if finding.sensor == "t11"] == rules


def test_an_hourly_sensor_speaks_until_its_next_reading(cellar: Farm) -> None:
    """A cold store too warm for six hours, told by an hourly sensor, is one urgent alarm and not one an hour."""
    live, alarms, titles = LiveBuffer(), dict[str, Alarm](), []
    for minute in range(0, 16 * 60, 5):
        now = START + timedelta(minutes=minute)
        if minute % 60 == 0:
            value = 9.0 if 8 <= minute // 60 < 14 else 3.0
            live.take(Block.from_readings([Reading(sensor="cold-air", measured_at=now, value=value)]))
        tick = Tick(now=now, farm=cellar, profiles=PROFILES, batches={}, live=live, watching_since=START)
        after = step(alarms, [each for each in look(tick) if each.sensor == "cold-air" and each.limit], now)
        titles += [news.title for news in news_of(alarms, after, tick)]
        alarms = after

    assert titles == ["Temperature over this place's limit: the cold store"]
    assert [alarm.state for alarm in alarms.values()] == [AlarmState.RETURNED_UNACKNOWLEDGED]


def test_a_silent_sensor_is_told_once(cellar: Farm) -> None:
    """Half an hour without a word, where it speaks each minute; then nothing more of it."""
    week = Week(cellar)
    week.values["h12"][1000:] = np.nan

    told = week.told(sixty_trays(), until=2000)

    assert [line.split("|")[0] for line in told] == ["Sensor is silent: rack 1 shelf 2"]


def test_a_sensor_whose_clock_is_behind_is_not_silent(cellar: Farm) -> None:
    """It speaks each minute of what was three quarters of an hour ago: it is told so, and that nobody watches there."""
    live = LiveBuffer()
    for minute in range(180):
        at = START + timedelta(minutes=minute)
        rows = [Reading(sensor=name, measured_at=at, value=21.0) for name in cellar.sensors if name != "t12"]
        if minute >= 60:
            rows.append(Reading(sensor="t12", measured_at=at - timedelta(minutes=45), value=21.0))
        live.take(Block.from_readings(rows))
    now = START + timedelta(minutes=180)
    tick = Tick(now=now, farm=cellar, profiles=PROFILES, batches={}, live=live, watching_since=START)

    found = [finding for finding in look(tick) if finding.sensor == "t12"]

    assert [finding.rule for finding in found] == ["sensor clock is behind"]
    assert "its newest reading is 45 minutes old" in found[0].cause


def test_a_farm_that_hears_nothing_is_told_once_and_not_by_each_sensor(cellar: Farm) -> None:
    """Broker, network or machine: nineteen sensors fall silent together, one finding."""
    live = LiveBuffer()
    for sensor in cellar.sensors:
        at = [START + timedelta(minutes=place) for place in range(60)]
        live.take(Block.from_readings([Reading(sensor=sensor, measured_at=each, value=21.0) for each in at]))
    now = START + timedelta(hours=3)
    tick = Tick(now=now, farm=cellar, profiles=PROFILES, batches={}, live=live, watching_since=START)
    found = [finding for finding in look(tick) if "silent" in finding.rule or "heard" in finding.rule]

    assert [finding.rule for finding in found] == ["nothing is heard"]
    assert "None of the 19 sensors has been heard since Mon 2 Mar 06:59" in found[0].cause
    assert "traywarden status" in found[0].action


def test_a_warm_cold_store_is_urgent_without_any_tray(cellar: Farm) -> None:
    """A place with limits of its own is judged with or without trays."""
    week = Week(cellar)
    week.values["cold-air"][500:] += 6.0

    told = week.told(Book(), until=900)

    assert [line.split("|")[:2] for line in told] == [["Temperature over this place's limit: the cold store", "URGENT"]]


def test_an_empty_farm_raises_nothing(cellar: Farm) -> None:
    """Without trays, air outside every band is nobody's trouble."""
    week = Week(cellar)
    for name in week.values:
        if name.startswith("t"):
            week.values[name][:] = 10.0

    assert week.told(Book(), until=600) == []


def test_the_table_of_transitions_is_that_of_the_standard() -> None:
    """Raised, returned, acknowledged: the ways of [ISA-18.2] (from memory), and no other."""
    assert len(TRANSITIONS) == 6
    assert TRANSITIONS[(AlarmState.UNACKNOWLEDGED, Happening.CLEARED)] is AlarmState.RETURNED_UNACKNOWLEDGED
    assert TRANSITIONS[(AlarmState.ACKNOWLEDGED, Happening.CLEARED)] is AlarmState.NORMAL
    assert TRANSITIONS[(AlarmState.RETURNED_UNACKNOWLEDGED, Happening.RAISED)] is AlarmState.UNACKNOWLEDGED


def finding(priority: Priority = Priority.MEDIUM) -> Finding:
    """Return one finding."""
    return Finding(
        rule="too cold", spot="cellar/1/1", batch="1", sensor="t", priority=priority, since=START, value=9.0,
        limit=15.0, cause="c", consequence="d", action="a",
    )  # fmt: skip


def test_the_time_to_answer_begins_when_an_alarm_becomes_urgent() -> None:
    """A finding kept for the round grew urgent hours later, and was passed on in the minute in which it was told."""
    alarms = step({}, [finding()], START)
    alarms = step(alarms, [finding(Priority.URGENT)], START + timedelta(hours=2))

    assert unanswered(alarms.values(), START + timedelta(hours=2)) == ()
    assert len(unanswered(alarms.values(), START + timedelta(hours=2, minutes=15))) == 1


def test_a_flickering_value_is_one_alarm() -> None:
    """Gone for five minutes and back is still the same alarm; gone for ten it has returned."""
    one = finding()
    alarms = step({}, [one], START)
    alarms = step(alarms, [], START + timedelta(minutes=5))
    alarms = step(alarms, [one], START + timedelta(minutes=8))
    assert alarms[one.key].state is AlarmState.UNACKNOWLEDGED
    assert alarms[one.key].first_at == START

    alarms = step(alarms, [], START + timedelta(minutes=20))
    alarms = step(alarms, [], START + timedelta(minutes=30))

    assert alarms[one.key].state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert move(alarms[one.key], Happening.SEEN, START).state is AlarmState.NORMAL
