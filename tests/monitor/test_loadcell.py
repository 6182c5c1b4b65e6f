"""What a load cell's series shows: steps, noise, trouble; the same in any pieces, in bounded memory."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.loadcell import CellTrouble, LoadCell, OrderedCell, StepKind
from tests.support.weights import HOUR_MS, MINUTE_MS, Row, cell_of, tray


def seen(cell: LoadCell) -> list[tuple[str, float, int]]:
    """Return what was seen: kind, hour to a tenth, grams to the nearest 20."""
    return [(step.kind.value, round(step.at_ms / HOUR_MS, 1), round(step.grams / 20) * 20) for step in cell.steps]


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        pytest.param(tray(12), [], id="a tray that only dries shows no step"),
        pytest.param(tray(12, steps=[(6, 300)]), [("rise", 6.0, 300)], id="a pour is a rise that stays"),
        pytest.param(tray(12, steps=[(6, -250)]), [("fall", 6.0, -260)], id="a cut is a fall that stays"),
        pytest.param(tray(12, away=[(6, 8)]), [("away", 6.0, -1740)], id="a tray lifted out and put back"),
        pytest.param(tray(12, steps=[(6, 400), (6.05, -400)]), [("touch", 6.0, 400)], id="a hand that leans on it"),
        pytest.param(tray(12, steps=[(6, 400), (6.016, -400)]), [("bump", 6.0, 400)], id="one reading is a bump"),
        pytest.param(tray(12, steps=[(6, 60)], noise_g=10), [("rise", 6.0, 60)], id="six sigmas of a noisy cell"),
        pytest.param(
            tray(12, steps=[(6, 30)], noise_g=10, every_min=5), [], id="three sigmas of a noisy cell are no event"
        ),
        pytest.param(
            tray(14, away=[(6, 10)], steps=[(6.1, 250)]),
            [("away", 6.0, -1740), ("rise", 6.2, 240)],
            id="watered at the sink",
        ),
    ],
)
def test_steps_are_read_from_the_weight(rows: list[Row], expected: list[tuple[str, float, int]]) -> None:
    """Each kind at its time, with its grams to 10."""
    cell = cell_of(rows)

    assert [each for each in seen(cell) if each[0] != StepKind.SMALL.value] == expected


def test_a_small_step_is_told_apart() -> None:
    """15 g on a quiet cell: no event, but kept as a small step."""
    cell = cell_of(tray(12, steps=[(6, 15)], noise_g=0.8, loss_g_h=2))

    assert [step.kind for step in cell.steps] == [StepKind.SMALL]


@pytest.mark.parametrize("noise_g", [1.0, 3.0, 10.0])
def test_the_noise_is_learned(noise_g: float) -> None:
    """Its standard deviation to a quarter."""
    assert cell_of(tray(8, noise_g=noise_g)).sigma_g == pytest.approx(noise_g, rel=0.25)


def test_a_gap_hides_drying_but_not_a_pour() -> None:
    """Four hours unheard: 40 g less is no event, 300 g more is one."""
    rows = [row for row in tray(16) if not 5 * HOUR_MS < row[0] < 9 * HOUR_MS]
    poured = [row for row in tray(16, steps=[(7, 300)]) if not 5 * HOUR_MS < row[0] < 9 * HOUR_MS]

    assert seen(cell_of(rows)) == []
    assert [kind for kind, _, _ in seen(cell_of(poured))] == ["rise"]


@pytest.mark.parametrize(
    ("shown_g", "trouble"),
    [(-300.0, CellTrouble.NEGATIVE), (20_000.0, CellTrouble.OVERLOADED), (1700.0, None), (-20.0, None)],
)
def test_what_no_tray_can_weigh_is_trouble_and_no_weight(shown_g: float, trouble: CellTrouble | None) -> None:
    """A negative or overloaded cell says so, and keeps its last level."""
    rows = [*tray(4), *((4 * HOUR_MS + minute * MINUTE_MS, shown_g) for minute in range(1, 4))]
    cell = cell_of(rows, carries_g=20_000)

    assert cell.trouble is trouble
    assert cell.level_g == pytest.approx(1760, abs=8)


def state(cell: LoadCell) -> tuple[object, ...]:
    """Return all that a cell's reader can see."""
    return (cell.level_g, cell.sigma_g, cell.last_ms, cell.trouble, cell.run, tuple(cell.steps), tuple(cell.rests))


EVENTFUL = tray(30, steps=[(6, 300), (6.6, -80), (20, -250)], away=[(12, 9)], every_min=4)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_pieces_order_and_repeats_give_what_the_whole_gives(data: st.DataObject) -> None:
    """Readings up to a quarter of an hour late, twice, in pieces: incremental equals batch."""
    lag = data.draw(st.lists(st.integers(0, 14), min_size=len(EVENTFUL), max_size=len(EVENTFUL)))
    arriving = sorted(zip(EVENTFUL, lag, strict=True), key=lambda pair: pair[0][0] + pair[1] * MINUTE_MS)
    again = data.draw(st.integers(1, 9))
    ordered = OrderedCell()
    newest = 0
    for place, (row, _) in enumerate(arriving):
        ordered.add(*row)
        newest = max(newest, row[0])
        if place % again == 0 and row[0] > newest - 14 * MINUTE_MS:
            ordered.add(*row)
            ordered.now()  # looking does not change

    assert not ordered.is_stale
    assert state(ordered.now()) == state(cell_of(EVENTFUL))


def test_a_reading_that_comes_too_late_asks_for_the_store() -> None:
    """Stale until it is rebuilt from all readings, after which incremental equals batch again."""
    ordered = OrderedCell()
    late = EVENTFUL[100]
    for row in EVENTFUL:
        if row != late:
            ordered.add(*row)
    ordered.add(*late)

    was_stale = ordered.is_stale
    ordered.rebuild(EVENTFUL)

    assert (was_stale, ordered.is_stale) == (True, False)
    assert state(ordered.now()) == state(cell_of(EVENTFUL))


def _size(cell: LoadCell) -> int:
    """Return the number of things that a cell holds."""
    held: list[Sequence[object]] = [cell.steps, cell.rests, cell._window, cell._heap, cell._in_bin]
    return sum(len(each) for each in held) + sys.getsizeof(cell.sigma_g)


def test_memory_stays_bounded() -> None:
    """Sixty days with a step every hour hold no more than twenty days, once the bounds are reached."""
    rows = tray(24 * 60, every_min=10, steps=[(hour, (-1) ** hour * 100) for hour in range(2, 24 * 60)], loss_g_h=0)
    sizes = []
    cell = LoadCell()
    for place, row in enumerate(rows):
        cell.take(*row)
        if place in (len(rows) // 3, len(rows) - 1):
            sizes.append(_size(cell))

    assert sizes[1] <= sizes[0] + 50


@given(
    st.lists(st.tuples(st.integers(0, 400), st.floats(-100, 2_000)), max_size=80),
    st.lists(st.tuples(st.integers(0, 400), st.floats(-100, 2_000)), max_size=20),
    st.booleans(),
)
def test_many_at_once_are_as_one_by_one(
    many: list[tuple[int, float]], more: list[tuple[int, float]], in_order: bool
) -> None:
    """A life read back from the store leaves the same state, and takes the next readings the same way."""
    first = [(minute * 60_000, grams) for minute, grams in (sorted(many) if in_order else many)]
    then = [(minute * 60_000, grams) for minute, grams in more]
    at_once, one_by_one = OrderedCell(carries_g=1_900.0), OrderedCell(carries_g=1_900.0)

    at_once.add_all(first)
    at_once.add_all(then)
    for reading in (*first, *then):
        one_by_one.add(*reading)

    assert at_once.is_stale == one_by_one.is_stale
    assert vars(at_once.now()) == vars(one_by_one.now())
