"""The sensors' present: ordered, bounded, usable readings only."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from monitor.live import LiveBuffer
from monitor.readings import Block, Flag, Reading

T0 = datetime(2026, 3, 2, tzinfo=UTC)


def reading(minute: int, value: float = 20.0, flag: Flag = Flag.PASS) -> Reading:
    """Return one reading of sensor a."""
    return Reading(sensor="a", measured_at=T0 + timedelta(minutes=minute), value=value, flag=flag)


@given(st.lists(st.tuples(st.integers(0, 300), st.floats(-5, 40)), max_size=60), st.integers(1, 7))
def test_order_chunks_and_doubles_do_not_matter(rows: list[tuple[int, float]], chunk: int) -> None:
    """Late and double readings end where they belong, the later of two at one instant wins."""
    live = LiveBuffer()
    readings = [reading(minute, value) for minute, value in rows]
    for start in range(0, len(readings), chunk):
        live.take(Block.from_readings(readings[start : start + chunk]))

    expected = dict(rows)
    recent = live.recent("a", T0)

    assert recent.value.tolist() == [expected[minute] for minute in sorted(expected)]
    assert sorted(recent.measured_at_ms.tolist()) == recent.measured_at_ms.tolist()


def test_failed_readings_are_heard_but_not_used() -> None:
    """A sensor that sends rubbish is not silent, and its rubbish is not judged."""
    live = LiveBuffer()
    live.take(Block.from_readings([reading(0, 21.0), reading(1, 999.0, Flag.FAIL)]))

    latest = live.latest("a")

    assert latest is not None
    assert latest.value == 21.0
    assert live.last_heard("a") == T0 + timedelta(minutes=1)


def test_memory_is_bounded() -> None:
    """Only the last hours are held."""
    live = LiveBuffer(held=timedelta(hours=1))
    live.take(Block.from_readings([reading(minute) for minute in range(600)]))

    assert len(live.recent("a", T0).value) <= 121


def test_the_usual_interval_is_learned() -> None:
    """Five minutes between readings are learned, one long gap does not change it."""
    live = LiveBuffer()
    live.take(Block.from_readings([reading(minute) for minute in [0, 5, 10, 15, 90, 95, 100, 105]]))

    assert live.usual_interval("a") == timedelta(minutes=5)
    assert live.usual_interval("b") is None


def test_a_long_silence_does_not_unlearn_the_usual_interval() -> None:
    """Hourly for two days, silent for four, and back: still hourly from the first reading on, and memory bounded."""
    live = LiveBuffer()
    hours = [*range(48), *range(144, 146)]
    for hour in hours:
        live.take(Block.from_readings([reading(60 * hour)]))

    assert live.usual_interval("a") == timedelta(hours=1)

    live.take(Block.from_readings([reading(60 * hour) for hour in range(146, 500)]))

    assert len(live.recent("a", T0).value) <= 52
