"""Flags as readings come: what is odd is flagged, revised at most once, and the same as over the whole series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.flagging import FRESH, LIMITS, Kept, flagged
from monitor.quality import spike
from monitor.readings import Doubt, Flag, Quantity

MINUTE_MS = 60_000
TEMP, DAMP = LIMITS[Quantity.TEMPERATURE], LIMITS[Quantity.HUMIDITY]


def stream(values: list[float], *, every_ms: int = MINUTE_MS, quantity: Quantity = Quantity.TEMPERATURE) -> list[int]:
    """Return the final flags of a series taken reading by reading; each is revised once at most."""
    flags: list[int] = []
    state, revisions = FRESH, [0] * len(values)
    for place, value in enumerate(values):
        state, now, revised = flagged(state, Kept(place * every_ms, value, int(Flag.PASS), 0), LIMITS[quantity])
        if revised is not None:
            flags[-1] = revised.flag
            revisions[place - 1] += 1
            assert revised.doubt & Doubt.SPIKE
        flags.append(now.flag)
    assert max(revisions, default=0) <= 1
    return flags


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        pytest.param([21, 21.1, 21.2, 21.1], [1, 1, 1, 1], id="a quiet room"),
        pytest.param([21, 21.1, 26, 21.2, 21.1], [1, 1, 3, 1, 1], id="a spike, its neighbours spared"),
        pytest.param([21, 21.1, 60, 21.2, 21.1], [1, 1, 4, 1, 1], id="a big spike fails"),
        pytest.param([21, 21.1, 15, 15.1, 15.2], [1, 1, 3, 1, 1], id="a step is suspect once, then the new normal"),
        pytest.param([21, 23, 25, 27], [1, 1, 1, 1], id="warming by 2 degrees a minute is a heater gun, not a fault"),
    ],
)
def test_a_thermometer(values: list[float], expected: list[int]) -> None:
    """[QARTOD-TS] tests 6 and 7 with the numbers of a tray room."""
    assert stream([float(value) for value in values]) == expected


def test_the_same_number_for_a_day_is_suspect_and_for_two_fails() -> None:
    """[QARTOD-TS] test 8, every twenty minutes."""
    flags = stream([21.3] * 160, every_ms=20 * MINUTE_MS)

    assert flags[:72] == [1] * 72
    assert flags[72:144] == [3] * 72
    assert flags[144:] == [4] * 16


def test_a_hundred_percent_under_a_cover_is_no_stuck_sensor() -> None:
    """It may stay there for days."""
    assert set(stream([100.0] * 300, every_ms=10 * MINUTE_MS, quantity=Quantity.HUMIDITY)) == {1}


def test_neighbours_hours_away_say_nothing_of_a_spike() -> None:
    """A sensor that speaks each hour may well differ by 5 degrees."""
    assert stream([21.0, 26.5, 21.0, 15.0], every_ms=60 * MINUTE_MS) == [1, 1, 1, 1]


def test_an_older_reading_judges_nothing() -> None:
    """Late readings are kept as they are."""
    state, _, _ = flagged(FRESH, Kept(10 * MINUTE_MS, 21.0, 1, 0), TEMP)
    after, now, revised = flagged(state, Kept(5 * MINUTE_MS, 60.0, 1, 0), TEMP)

    assert (after, now.flag, revised) == (state, 1, None)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.sampled_from([20.0, 20.4, 21.0, 24.6, 26.0, 33.0]), min_size=3, max_size=25))
def test_streaming_and_whole_series_agree_on_spikes(values: list[float]) -> None:
    """Where no neighbour is odd itself, the stream's spikes are those of the differential test over the series."""
    whole = spike(np.array(values), TEMP.spike_suspect, TEMP.spike_fail, "differential")
    state = FRESH
    found = [False] * len(values)
    for place, value in enumerate(values):
        state, _, revised = flagged(state, Kept(place * MINUTE_MS, value, int(Flag.PASS), 0), TEMP)
        found[place - 1] = found[place - 1] or revised is not None

    assert found[1:-1] == [flag in (Flag.SUSPECT, Flag.FAIL) for flag in whole[1:-1].tolist()]
