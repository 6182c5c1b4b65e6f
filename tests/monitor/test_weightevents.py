"""What steps in a weight mean for the trays on the cell."""

from __future__ import annotations

import pytest

from monitor.weightevents import Deed, OnCell, read_events
from tests.support.weights import HOUR_MS, Row, cell_of, tray

OPEN = OnCell(tray_g=1800, cut_from_ms=8 * 24 * HOUR_MS, yield_g=330)
PILE = OnCell(tray_g=1800, piled=True, pile_weight_g=6000, pile_trays=4)


def deeds(rows: list[Row], known: OnCell) -> list[tuple[Deed, int]]:
    """Return what was read: the deed, and trays."""
    return [(event.deed, event.trays) for event in read_events(tuple(cell_of(rows).steps), known)]


@pytest.mark.parametrize(
    ("rows", "known", "expected"),
    [
        pytest.param(tray(10, steps=[(5, 350)]), OPEN, [(Deed.WATERED, 0)], id="a pour"),
        pytest.param(
            tray(10, steps=[(5, 600), (5.6, -150)]),
            OPEN,
            [(Deed.WATERED, 0), (Deed.POURED_OFF, 0)],
            id="the rest tipped out",
        ),
        pytest.param(tray(10, steps=[(5, 300), (5.5, -300)]), OPEN, [(Deed.HAND, 0)], id="a tool that lay there"),
        pytest.param(
            tray(10, steps=[(5, -320)], begin_ms=8 * 24 * HOUR_MS), OPEN, [(Deed.CUT, 0)], id="a cut on its day"
        ),
        pytest.param(tray(10, steps=[(5, -320)]), OPEN, [(Deed.UNEXPLAINED, 0)], id="no cut on day one"),
        pytest.param(tray(10, steps=[(5, -100)]), OPEN, [(Deed.UNEXPLAINED, 0)], id="water spilt, or another tray"),
        pytest.param(tray(10, away=[(5, 10)]), OPEN, [(Deed.LIFTED, 0)], id="lifted and put back"),
        pytest.param(
            tray(12, steps=[(1, 5400), (2, 6000), (8, -6000), (8.3, -5400)], loss_g_h=1),
            PILE,
            [(Deed.TRAYS_ADDED, 3), (Deed.WEIGHT_ON, 0), (Deed.WEIGHT_OFF, 0), (Deed.TRAYS_TAKEN, 3)],
            id="a pile is built and taken apart",
        ),
        pytest.param(
            tray(12, steps=[(1, 5400), (2, 6000), (8, -11400)], loss_g_h=1),
            PILE,
            [(Deed.TRAYS_ADDED, 3), (Deed.WEIGHT_ON, 0), (Deed.WEIGHT_OFF, 0), (Deed.TRAYS_TAKEN, 3)],
            id="taken apart between two readings",
        ),
        pytest.param(tray(10, steps=[(5, -1780)], start_g=3600), OPEN, [(Deed.TRAYS_TAKEN, 1)], id="a tray taken away"),
    ],
)
def test_steps_have_a_meaning(rows: list[Row], known: OnCell, expected: list[tuple[Deed, int]]) -> None:
    """By what is known of the trays."""
    assert [each for each in deeds(rows, known) if each[0] is not Deed.SMALL] == expected


def test_a_pour_carries_its_amount() -> None:
    """To the noise of the cell."""
    event = read_events(tuple(cell_of(tray(10, steps=[(5, 350)])).steps), OPEN)[0]

    assert event.grams == pytest.approx(350, abs=5)
    assert event.at_ms == pytest.approx(5 * HOUR_MS, abs=2 * 60_000)
