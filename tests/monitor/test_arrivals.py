"""What is told of readings that came to a shared store covers each of them, in few spans."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.arrivals import FRESH_MS, Arrival, arrivals_of, merged, spans
from monitor.readings import Block

ROOMS = {"a1": "north", "a2": "north", "b1": "south"}
NAMES = (*ROOMS, "a1.raw")
MINUTE = 60_000
Row = tuple[int, int]


def block(rows: list[Row]) -> Block:
    """Return readings of (sensor, minute)."""
    return Block.from_rows(NAMES, [(index, minute * MINUTE, 20.0, 2, 0) for index, minute in rows])


def covered(arrivals: list[Arrival], name: str, at_ms: int) -> bool:
    """Tell whether an arrival covers a reading."""
    return any(
        each.room == ROOMS[name] and each.from_ms <= at_ms <= each.to_ms and name in (each.sensors or ROOMS)
        for each in arrivals
    )


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 600)), min_size=1, max_size=60), st.integers(1, 20))
def test_every_reading_is_covered_however_it_came(rows: list[Row], size: int) -> None:
    """Blocks told one by one, and merged into what is to be read, leave no reading of a known sensor out."""
    told = [
        arrival
        for begin in range(0, len(rows), size)
        for arrival in arrivals_of(block(rows[begin : begin + size]), ROOMS)
    ]

    for arrivals in (told, merged(told), spans(told)):
        assert all(covered(arrivals, NAMES[index], minute * MINUTE) for index, minute in rows if index < 3)


def test_what_is_late_does_not_stretch_the_span_of_the_others() -> None:
    """One reading of an hour ago is a span of its own sensor; the rest is the span of now."""
    told = arrivals_of(block([(0, 1), (0, 61), (1, 61), (2, 61), (1, 60)]), ROOMS)

    late, *fresh = told
    assert late == Arrival(room="north", from_ms=MINUTE, to_ms=MINUTE, sensors=("a1",))
    assert {(each.room, each.from_ms // MINUTE, each.to_ms // MINUTE) for each in fresh} == {
        ("north", 60, 61),
        ("south", 61, 61),
    }


def test_values_as_they_were_shown_are_told_to_nobody() -> None:
    """The series of raw values belongs to no room."""
    assert arrivals_of(block([(3, 1)]), ROOMS) == []


def test_many_deliveries_of_one_room_are_read_at_once() -> None:
    """Whole-room spans that touch are one; a named one within is not asked for again."""
    told = [Arrival(room="north", from_ms=n * MINUTE, to_ms=(n + 1) * MINUTE, id=n + 1) for n in range(30)]
    inside = Arrival(room="north", from_ms=5 * MINUTE, to_ms=6 * MINUTE, sensors=("a1",), id=40)

    asked = spans([*told, inside])

    assert [(each.from_ms, each.to_ms, each.sensors) for each in asked] == [(0, 30 * MINUTE, None)]
    assert FRESH_MS >= MINUTE
