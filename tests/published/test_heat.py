"""Heat sums: what moves the usual day of a move, against what is printed for onion."""

from __future__ import annotations

import pytest

from monitor.fold import fold
from monitor.phases import HeatSoFar, phase_now
from monitor.profilefile import shipped_profiles
from monitor.profiles import PhaseKind
from tests.support.farms import Book

ONION = shipped_profiles()["onion"]
HALF_CD = 80.0  # [ONION-BREWSTER] eq. 4.6-4.7: degree-days over the base to half germination, 5 to 25 degC


def half_after_days(temp_c: float) -> float:
    """Return the days to half germination by the printed heat sum and the profile's base."""
    assert ONION.base_temp_c is not None
    return HALF_CD / (temp_c - ONION.base_temp_c.value)


def usual_days(mean_c: float) -> int:
    """Return after how many days onions are usually uncovered in a room of some warmth."""
    book = Book()
    sown_at = book.at("2026-03-02")
    book.sow(sown_at, "onion", 4)
    batch, now = fold(book.entries)["1"], book.at("2026-03-05")
    heat = HeatSoFar(mean_temp_c=mean_c, hours=72)
    span = phase_now(batch, batch.parts[0], ONION, now=now, zone=book.zone, heat=heat)
    assert span.window is not None
    assert span.kind is PhaseKind.GERMINATION
    return (span.window.usual - sown_at.date()).days


def test_the_base_is_the_one_printed() -> None:
    """[ONION-BREWSTER] 2.5 degC: checks our copying."""
    assert ONION.base_temp_c is not None
    assert ONION.base_temp_c.value == 2.5


@pytest.mark.parametrize(("temp_c", "days"), [(10, 13), (15, 7), (20, 5), (25, 4)])
def test_the_heat_sum_agrees_with_days_that_others_counted(temp_c: float, days: int) -> None:
    """[HARRINGTON-MINGES] half an inch deep onions emerge up to 2.4 days after half have germinated, never before."""
    assert 0 <= days - half_after_days(temp_c) < 2.4


def test_onions_are_uncovered_when_more_than_half_have_come() -> None:
    """[ONION-BREWSTER] at the middle of the band, 22 degC, half have germinated after 4.1 days; usual is day 5."""
    assert half_after_days(22.0) == pytest.approx(4.1, abs=0.05)
    assert usual_days(22.0) == 5


@pytest.mark.parametrize("mean_c", [19.0, 20.0, 21.0, 22.0, 23.0, 24.0, 25.0])
def test_the_usual_day_moves_as_the_heat_sum_does(mean_c: float) -> None:
    """[ONION-BREWSTER] a constant sum over the base: days by warmth stay in proportion, to half a day of rounding."""
    expected = 5 * half_after_days(mean_c) / half_after_days(22.0)

    assert usual_days(mean_c) == pytest.approx(expected, abs=0.5)
