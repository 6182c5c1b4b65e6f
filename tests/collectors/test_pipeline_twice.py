"""The same message again: prepared twice, handed over twice, kept by the broker, or from a clock that is wrong."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collectors.pipeline import Message, Pipeline
from monitor.errors import StoreUnavailableError
from monitor.readings import Doubt, Reading
from tests.support.farms import farm, sensor_text

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)


class Aside:
    """A quarantine that can fail."""

    def __init__(self) -> None:
        """Begin empty."""
        self.kept: list[tuple[str, str]] = []
        self.failures = 0

    def __call__(self, _at: datetime, topic: str, _payload: bytes, why: str) -> None:
        """Keep a message, or fail."""
        if self.failures:
            self.failures -= 1
            raise StoreUnavailableError("the test's disk is full")
        self.kept.append((topic, why))


@pytest.fixture
def aside() -> Aside:
    """Return an empty quarantine."""
    return Aside()


@pytest.fixture
def pipeline(tmp_path: Path, aside: Aside) -> Pipeline:
    """Return a pipeline of a plain thermometer and a humidity sensor on topics of their own."""
    more = sensor_text("t", "temperature", "cellar") + sensor_text("h", "humidity", "cellar")
    return Pipeline(farm(tmp_path, more=more), quarantine=aside, latest=lambda _: {})


# The bug that this prevents: the first try remembered the message, so the second took it for one already stored.
def test_a_message_that_was_prepared_but_not_stored_is_kept(pipeline: Pipeline) -> None:
    """A store that failed in between does not make a message handed over twice look stored."""
    again = [Message("t/t", b"20.5", NOW, duplicate=True)]

    first, second = pipeline.prepare(again), pipeline.prepare(again)
    pipeline.settle(second)
    third = pipeline.prepare(again)

    assert [len(first.block), len(second.block), len(third.block)] == [1, 1, 0]
    assert pipeline.counters.messages == 1


def test_a_quarantine_that_fails_keeps_each_message_once(pipeline: Pipeline, aside: Aside) -> None:
    """Settling again goes on where it stopped, and counts once."""
    prepared = pipeline.prepare([Message("t/t", b"warm", NOW), Message("t/h", b"damp", NOW)])
    aside.failures = 1
    with pytest.raises(StoreUnavailableError, match="disk is full"):
        pipeline.settle(prepared)
    pipeline.settle(prepared)

    assert [topic for topic, _ in aside.kept] == ["t/t", "t/h"]
    assert (pipeline.counters.quarantined, pipeline.counters.messages) == (2, 2)


@pytest.mark.parametrize(
    "record",
    [
        pytest.param({}, id="no time"),
        pytest.param({"t": -30}, id="a time relative to now"),
        pytest.param({"t": 946684800}, id="a clock that stands in the year 2000"),
    ],
)
def test_a_kept_pack_without_a_time_to_go_by_is_no_fresh_reading(pipeline: Pipeline, record: dict[str, float]) -> None:
    """What the broker had kept is dropped and counted, unless its sender says when it was measured."""
    pack = json.dumps([{"n": "t", "u": "Cel", "v": 20.5, **record}]).encode()

    kept = pipeline.block_of([Message("t/t", pack, NOW, retained=True)])
    fresh = pipeline.block_of([Message("t/t", pack, NOW)])

    assert (len(kept), len(fresh)) == (0, 1)
    assert pipeline.counters.dropped["retained message without a time"] == 1


def test_times_relative_to_now_count_from_the_arrival(pipeline: Pipeline) -> None:
    """Two records of one pack, a minute apart, keep their distance and are marked."""
    pack = b'[{"n":"t","u":"Cel","v":20,"t":-60},{"n":"t","u":"Cel","v":21}]'
    rows = pipeline.block_of([Message("t/t", pack, NOW)]).readings()

    assert [(row.value, row.measured_at) for row in rows] == [(20.0, NOW - timedelta(minutes=1)), (21.0, NOW)]
    assert {row.doubt for row in rows} == {Doubt.ARRIVAL_TIME}


# The bug that this prevents: all records of the pack got the one instant of arrival, and the last one won.
def test_readings_of_a_wrong_clock_do_not_overwrite_each_other(pipeline: Pipeline) -> None:
    """The newest gets the time of arrival, the others keep their distance to it."""
    pack = b'[{"bt":946684800,"n":"t","u":"Cel","v":20},{"n":"t","u":"Cel","t":60,"v":21}]'
    rows = pipeline.block_of([Message("t/t", pack, NOW)]).readings()

    assert [(row.value, row.measured_at) for row in rows] == [(20.0, NOW - timedelta(minutes=1)), (21.0, NOW)]
    assert {row.doubt for row in rows} == {Doubt.CLOCK_BEHIND}


def test_a_clamped_value_is_known_again_after_a_restart(tmp_path: Path, aside: Aside) -> None:
    """101 % was stored as 100, so that is what the message handed over again is compared by."""
    stored = {"h": Reading(sensor="h", measured_at=NOW, value=100.0)}
    cellar = farm(tmp_path, more=sensor_text("h", "humidity", "cellar"))
    pipeline = Pipeline(cellar, quarantine=aside, latest=lambda _: stored)

    assert len(pipeline.block_of([Message("t/h", b"101", NOW, duplicate=True)])) == 0


def test_our_own_fault_costs_one_message(pipeline: Pipeline, aside: Aside, tmp_path: Path) -> None:
    """A calibration that raises sets its message aside; the next is stored."""
    more = sensor_text("t", "temperature", "cellar") + sensor_text("h", "humidity", "cellar")

    def trips(sensor: object, value: float, _at_ms: int) -> float:
        return value / 0 if value == 13 else value

    careless = Pipeline(farm(tmp_path, more=more), quarantine=aside, latest=lambda _: {}, calibrate=trips)
    block = careless.block_of([Message("t/t", b"13", NOW), Message("t/h", b"55", NOW)])

    assert block.sensors == ("h",)
    assert "our own fault" in aside.kept[0][1]
