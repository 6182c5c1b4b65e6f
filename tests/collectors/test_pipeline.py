"""From a message to readings: forms, units, times, flags; what cannot be read is set aside and counted."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.decode import decode
from collectors.pipeline import Message, Pipeline, judge_value
from collectors.routes import Routes, matches
from monitor.errors import PayloadError
from monitor.farm import Sensor
from monitor.readings import Doubt, Flag, Quantity, Reading
from tests.support.farms import farm, sensor_text

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
AIR = Sensor(id="air", quantity=Quantity.TEMPERATURE, spot="cellar", topic="n", pointer="/air/t", time_pointer="/at")
BARE = Sensor(id="plain", quantity=Quantity.TEMPERATURE, spot="cellar", topic="n", unit="degF")
NODE = Sensor(id="node", quantity=Quantity.WEIGHT, spot="cellar", topic="n", record="scale")


@pytest.fixture
def pipeline(tmp_path: Path) -> Pipeline:
    """Return a pipeline of one SenML node with a thermometer and a humidity sensor."""
    more = sensor_text("t", "temperature", "cellar", record="temp") + sensor_text(
        "h", "humidity", "cellar", record="rh"
    )
    where = farm(tmp_path, more=more.replace("t/t", "node").replace("t/h", "node"))
    return Pipeline(where, quarantine=lambda *_: None, latest=lambda _: {})


def rows(pipeline: Pipeline, payload: str, topic: str = "node") -> list[Reading]:
    """Return what one message becomes."""
    return pipeline.block_of([Message(topic, payload.encode(), NOW)]).readings()


def test_a_json_object_is_read_through_pointers() -> None:
    """Value, unit, and the time as RFC 3339 or a number; [RFC6901] escapes are the library's."""
    text = decode(b'{"air": {"t": "21.5"}, "at": "2026-03-02T10:00:00+01:00"}', [AIR], topic="n", arrived_s=0)
    number = decode(b'{"air": {"t": 21.5}, "at": 1772442000000}', [AIR], topic="n", arrived_s=0)

    assert [(d.value, d.time_s) for d in text] == [(21.5, 1772442000.0)]
    assert [(d.value, d.time_s) for d in number] == [(21.5, 1772442000.0)]


def test_a_plain_number_is_converted() -> None:
    """68 degF is 20 degC."""
    (decoded,) = decode(b" 68 ", [BARE], topic="n", arrived_s=0)

    assert decoded.value == pytest.approx(20.0)
    assert decoded.time_s is None


def test_kilograms_of_a_pack_become_grams() -> None:
    """The record's own unit is believed."""
    (decoded,) = decode(
        b'[{"bn":"rack:","bt":1772442000,"n":"scale","u":"kg","v":1.85}]', [NODE], topic="n", arrived_s=0
    )

    assert decoded.value == pytest.approx(1850.0)
    assert decoded.time_s == 1772442000.0


@pytest.mark.parametrize(
    ("payload", "sensors", "says"),
    [
        (b"warm", [BARE], "no number, no JSON object"),
        (b'{"t": 1}', [BARE], "add pointer ="),
        (b'{"air": {}}', [AIR], "nothing at /air/t"),
        (b'{"air": {"t": true}}', [AIR], "no number at"),
        (b'{"air": {"t": 1}, "at": "noon"}', [AIR], "is no time as RFC 3339"),
        (b'{"air": {"t": 1}, "at": "2026-03-02T10:00:00"}', [AIR], "has no offset; set time_zone"),
        (b"21", [BARE, NODE, BARE], "can feed one sensor only"),
        (b'[{"n":"other","u":"kg","v":1}]', [NODE], "its records are: other"),
        (b'[{"n":"scale","u":"Cel","v":1}]', [NODE], "cannot become g"),
    ],
)
def test_what_cannot_be_read_says_how_it_should_look(payload: bytes, sensors: list[Sensor], says: str) -> None:
    """Topic, what is wrong, and the way out."""
    with pytest.raises(PayloadError, match=says):
        decode(payload, sensors, topic="n", arrived_s=0)


@given(st.binary(max_size=60) | st.text(max_size=50).map(str.encode))
def test_any_payload_gives_values_or_a_payload_error(payload: bytes) -> None:
    """Nothing that a device sends raises anything else."""
    with suppress(PayloadError):
        decode(payload, [AIR, BARE, NODE], topic="n", arrived_s=0)


@pytest.mark.parametrize(
    ("offset", "doubt"),
    [
        pytest.param(timedelta(minutes=-90), Doubt.NONE, id="late is believed"),
        pytest.param(timedelta(minutes=4), Doubt.NONE, id="a little ahead is believed"),
        pytest.param(timedelta(minutes=6), Doubt.CLOCK_AHEAD, id="six minutes ahead is a wrong clock"),
        pytest.param(timedelta(days=-3000), Doubt.CLOCK_BEHIND, id="before records_from is a wrong clock"),
    ],
)
def test_a_wrong_device_clock_is_marked_and_arrival_time_used(
    pipeline: Pipeline, offset: timedelta, doubt: Doubt
) -> None:
    """The payload's time where it can be; else that of arrival."""
    at = NOW + offset
    (row,) = rows(pipeline, f'[{{"bt":{at.timestamp()},"n":"temp","u":"Cel","v":21}}]')

    assert row.doubt is doubt
    assert row.measured_at == (at if doubt is Doubt.NONE else NOW)


def test_one_pack_feeds_several_sensors(pipeline: Pipeline) -> None:
    """Each takes its own record, at one instant."""
    found = rows(pipeline, '[{"bn":"n1:","bt":1772442000,"n":"temp","u":"Cel","v":21},{"n":"rh","u":"%RH","v":55}]')

    assert [(row.sensor, row.value) for row in found] == [("t", 21.0), ("h", 55.0)]
    assert len({row.measured_at for row in found}) == 1


def test_what_is_set_aside_is_counted(pipeline: Pipeline) -> None:
    """Rubbish, a topic that nobody claims, and an infinite value."""
    rows(pipeline, "rubbish")
    rows(pipeline, "1", topic="elsewhere")
    rows(pipeline, '[{"n":"temp","u":"Cel","v":1e999}]')

    assert pipeline.counters.messages == 3
    assert pipeline.counters.quarantined == 2
    assert dict(pipeline.counters.unclaimed) == {"elsewhere": b"1"}


# Spans: common practice, no source; the test is [QARTOD-TS] 4, gross range.
@pytest.mark.parametrize(
    ("quantity", "value", "flag"),
    [
        (Quantity.TEMPERATURE, 21.0, Flag.PASS),
        (Quantity.TEMPERATURE, 52.0, Flag.SUSPECT),
        (Quantity.TEMPERATURE, 3.0, Flag.PASS),  # a cold store
        (Quantity.TEMPERATURE, -4.0, Flag.PASS),  # a room that freezes must be judged, not doubted
        (Quantity.TEMPERATURE, 70.0, Flag.FAIL),
        (Quantity.HUMIDITY, 101.5, Flag.SUSPECT),
        (Quantity.HUMIDITY, 103.0, Flag.FAIL),
        (Quantity.LIGHT, -1.0, Flag.FAIL),
        (Quantity.WEIGHT, -60.0, Flag.FAIL),
    ],
)
def test_gross_range_flags(quantity: Quantity, value: float, flag: Flag) -> None:
    """Outside what such a sensor can measure fails; a damp 101.5 % is kept as 100."""
    judged = judge_value(Sensor(id="x", quantity=quantity, spot="cellar"), value)

    assert judged is not None
    assert judged[1] is flag
    assert judged[0] == (100.0 if value == 101.5 else value)
    assert judge_value(Sensor(id="x", quantity=quantity, spot="cellar"), float("nan")) is None


# [MQTT5] 4.7, from memory.
@pytest.mark.parametrize(
    ("pattern", "topic", "fits"),
    [
        ("a/b", "a/b", True),
        ("a/+", "a/b", True),
        ("a/+", "a/b/c", False),
        ("a/#", "a", True),
        ("a/#", "a/b/c", True),
        ("#", "$SYS/x", False),
        ("+/b", "/b", True),
    ],
)
def test_topic_filters(pattern: str, topic: str, fits: bool) -> None:
    """Plus is one level, hash all below, neither takes what begins with a dollar."""
    assert matches(pattern, topic) is fits


def test_routes_know_each_topics_sensors() -> None:
    """Two sensors on one topic, none on another."""
    routes = Routes([AIR, BARE])

    assert [sensor.id for sensor in routes.of("n")] == ["air", "plain"]
    assert routes.of("m") == ()
    assert routes.filters == ("n",)


def minute(pipeline: Pipeline, place: int, temp_c: float) -> list[Reading]:
    """Return what a pack of one minute becomes."""
    pack = f'[{{"bn":"node:","bt":{NOW.timestamp() - 3600 + 60 * place},"n":"temp","u":"Cel","v":{temp_c}}}]'
    return rows(pipeline, pack)


def test_a_spike_is_known_one_reading_later_and_flagged_in_the_store(pipeline: Pipeline) -> None:
    """The reading before is handed out once more with its final flag; the same key again, so the store keeps one."""
    minute(pipeline, 0, 21.0)
    minute(pipeline, 1, 21.1)
    spike = minute(pipeline, 2, 60.0)
    after = minute(pipeline, 3, 21.2)

    assert [reading.flag for reading in spike] == [Flag.SUSPECT]
    assert [(reading.measured_at, reading.flag) for reading in after] == [
        (spike[0].measured_at, Flag.FAIL),
        (spike[0].measured_at + timedelta(minutes=1), Flag.PASS),
    ]
    assert after[0].doubt & Doubt.SPIKE


def test_a_store_that_fails_in_between_changes_no_flag(pipeline: Pipeline) -> None:
    """Prepared twice and settled once: the same rows."""
    message = Message("node", b'[{"bn":"node:","n":"temp","u":"Cel","v":21.0}]', NOW)
    minute(pipeline, 0, 15.0)
    first, again = pipeline.prepare([message]), pipeline.prepare([message])

    assert first.block.readings() == again.block.readings()


def test_a_spike_within_one_batch_is_stored_once_with_its_final_flag(pipeline: Pipeline) -> None:
    """Four packs that were queued together become four readings."""
    begin = NOW.timestamp() - 3600
    packs = [
        Message("node", f'[{{"bn":"node:","bt":{begin + 60 * place},"n":"temp","u":"Cel","v":{value}}}]'.encode(), NOW)
        for place, value in enumerate((21.0, 21.1, 60.0, 21.2))
    ]
    found = pipeline.block_of(packs).readings()

    assert [(reading.value, reading.flag) for reading in found] == [
        (21.0, Flag.PASS), (21.1, Flag.PASS), (60.0, Flag.FAIL), (21.2, Flag.PASS)
    ]  # fmt: skip
