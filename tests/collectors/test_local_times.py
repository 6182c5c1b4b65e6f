"""A device that sends local times without offset, through a whole day on which its clock is moved.

[RFC5545] 3.3.5 has the first where a local time occurs twice; a reading that arrives while the second is running is of
the second. Its instants are written in UTC here, so that no zone is asked twice.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collectors.pipeline import Message, Pipeline
from collectors.stamps import seconds_of
from monitor.readings import Doubt, Reading
from tests.support.farms import farm, sensor_text

STEP = timedelta(minutes=10)


@pytest.fixture
def pipeline(tmp_path: Path) -> Pipeline:
    """Return the pipeline of a farm in Lisbon with a thermometer whose clock is on Berlin's time."""
    more = sensor_text("t", "temperature", "cellar", pointer="/t", time_pointer="/at", time_zone="Europe/Berlin")
    return Pipeline(farm(tmp_path, more=more), quarantine=lambda *_: None, latest=lambda _: {})


def sent(pipeline: Pipeline, wall: str, arrived_at: datetime) -> Reading:
    """Return what one message becomes."""
    (reading,) = pipeline.block_of([Message("t/t", f'{{"t": 21.0, "at": "{wall}"}}'.encode(), arrived_at)]).readings()
    return reading


@pytest.mark.parametrize(
    ("begin", "hours_ahead", "changes_at", "then_ahead", "readings"),
    [
        pytest.param(
            datetime(2026, 3, 28, 23, tzinfo=UTC), 1, datetime(2026, 3, 29, 1, tzinfo=UTC), 2, 138, id="spring, 23 h"
        ),
        pytest.param(
            datetime(2026, 10, 24, 22, tzinfo=UTC), 2, datetime(2026, 10, 25, 1, tzinfo=UTC), 1, 150, id="autumn, 25 h"
        ),
        pytest.param(
            datetime(2028, 2, 28, 23, tzinfo=UTC), 1, datetime(2029, 1, 1, tzinfo=UTC), 1, 144, id="29 February"
        ),
    ],
)
def test_each_reading_of_a_day_gets_its_own_instant(
    pipeline: Pipeline, begin: datetime, hours_ahead: int, changes_at: datetime, then_ahead: int, readings: int
) -> None:
    """A reading every ten minutes of the device's local day, there two seconds later: none is lost, none is moved."""
    kept, at = [], begin
    for _ in range(readings):
        ahead = timedelta(hours=then_ahead if at >= changes_at else hours_ahead)
        kept.append(sent(pipeline, f"{at + ahead:%Y-%m-%dT%H:%M:%S}", at + timedelta(seconds=2)))
        at += STEP

    assert [reading.measured_at for reading in kept] == [begin + STEP * place for place in range(readings)]
    assert {reading.doubt for reading in kept} == {Doubt.NONE}
    ends = at + timedelta(hours=then_ahead)
    assert (ends.hour, ends.minute) == (0, 0)  # it was a whole local day


def test_a_time_that_occurs_twice_is_the_first_until_the_second_has_come() -> None:
    """02:30 on 25 October in Berlin: 00:30 or 01:30 UTC, by when it came; a clock four minutes ahead is believed."""
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp()
    wall, zone = "2026-10-25T02:30:00", "Europe/Berlin"

    assert seconds_of(wall, zone) == first
    assert seconds_of(wall, zone, arrived_s=first + 2) == first
    assert seconds_of(wall, zone, arrived_s=first + 3300 - 1) == first
    assert seconds_of(wall, zone, arrived_s=first + 3600 - 240) == first + 3600
    assert seconds_of(wall, zone, arrived_s=first + 3602) == first + 3600


def test_a_time_that_is_skipped_counts_by_the_offset_before() -> None:
    """[RFC5545] 3.3.5: 02:30 on 29 March in Berlin is 01:30 UTC, whenever it came."""
    at_s = datetime(2026, 3, 29, 1, 30, tzinfo=UTC).timestamp()

    for arrived_s in (None, at_s, at_s + 7200):
        assert seconds_of("2026-03-29T02:30:00", "Europe/Berlin", arrived_s=arrived_s) == at_s


def test_an_offset_in_the_payload_wins() -> None:
    """Nothing is guessed where the device says it."""
    said = "2026-10-25T02:30:00+02:00"

    assert seconds_of(said, "Europe/Berlin", arrived_s=2e9) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp()
