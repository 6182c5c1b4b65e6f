"""Hours of light and light integrals: printed examples, a real room, clock changes, lamps over midnight."""

from __future__ import annotations

import csv
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from monitor.light import LUX_PER_UMOL, daily_light_integral, is_lit, light_days
from monitor.readings import Quantity

LISBON = ZoneInfo("Europe/Lisbon")
ROOM = Path(__file__).parents[1] / "data" / "room_uci_excerpt.csv"


@pytest.mark.parametrize(
    ("ppfd", "hours", "mol"),
    [
        (100, 12, 4.32), (100, 16, 5.76), (150, 16, 8.64), (200, 16, 11.52), (250, 16, 14.40), (300, 16, 17.28),
        (400, 16, 23.04), (208.3, 16, 12.00), (277.8, 12, 12.00), (209.5, 16, 12.07), (45, 16, 2.59),
    ],
)  # fmt: skip
def test_light_integral_of_an_even_light(ppfd: float, hours: float, mol: float) -> None:
    """[PURDUE-DLI] PPFD x hours x 3600 / 1e6, computed by hand to two places."""
    assert daily_light_integral(ppfd, hours) == pytest.approx(mol, abs=0.005)


def test_light_integral_of_a_published_example() -> None:
    """[PURDUE-DLI] the formula note prints 1.6 for 38.1 over 12 h: half of the last printed digit."""
    assert daily_light_integral(38.1, 12) == pytest.approx(1.6, abs=0.05)


def test_lux_factors_are_those_printed() -> None:
    """[THIMIJAN-HEINS] lux for each umol m-2 s-1 of 400 to 700 nm, all six as quoted: checks our copying."""
    assert dict(LUX_PER_UMOL) == {
        "sun": 54, "blue sky": 52, "metal halide": 71, "high-pressure sodium": 82, "cool-white fluorescent": 74,
        "incandescent": 50,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("lamp", "ppfd"), [("sun", 185), ("cool-white fluorescent", 135), ("high-pressure sodium", 122)]
)
def test_ten_thousand_lux_by_what_shines(lamp: str, ppfd: float) -> None:
    """[THIMIJAN-HEINS] lux divided by the lamp's factor."""
    assert 10_000 / LUX_PER_UMOL[lamp] == pytest.approx(ppfd, abs=0.5)


def course(
    begin: datetime, hours: float, on: set[int], *, lit: float = 200.0, every_min: int = 5
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return (instants in ms, values) of a lamp that is on in some local hours."""
    count = int(hours * 60 / every_min)
    at = [begin + timedelta(minutes=every_min * step) for step in range(count)]
    values = [lit if each.astimezone(LISBON).hour in on else 0.2 for each in at]
    return np.array([round(each.timestamp() * 1000) for each in at], dtype=np.int64), np.array(values)


@pytest.mark.parametrize(
    ("day", "hours", "lit_h", "dark_h"),
    [
        pytest.param(date(2026, 3, 10), 24, 16, 8, id="an ordinary day"),
        pytest.param(date(2026, 3, 29), 23, 16, 7, id="the clocks go forward in the dark"),
        pytest.param(date(2026, 10, 25), 25, 16, 9, id="the clocks go back in the dark"),
        pytest.param(date(2028, 2, 29), 24, 16, 8, id="a leap day"),
    ],
)
def test_hours_of_a_local_day(day: date, hours: int, lit_h: float, dark_h: float) -> None:
    """Lamps from 6 to 22 by the wall clock: sixteen hours lit, the rest of the day dark, nothing unknown."""
    begin = datetime(day.year, day.month, day.day, tzinfo=LISBON).astimezone(UTC)
    at_ms, values = course(begin, hours, set(range(6, 22)))
    now_ms = int(at_ms[-1]) + 300_000
    (found,) = light_days(at_ms, values, Quantity.PPFD, day, day, LISBON, now_ms=now_ms)

    assert (found.lit_h, found.dark_h, found.unknown_h) == pytest.approx((lit_h, dark_h, 0.0))
    assert found.mol_m2 == pytest.approx(daily_light_integral(200, 16), abs=0.02)


def test_a_lamp_over_midnight_counts_to_both_days() -> None:
    """On from 20 to 4: four hours of each day at either end."""
    begin = datetime(2026, 3, 10, tzinfo=LISBON).astimezone(UTC)
    at_ms, values = course(begin, 48, {20, 21, 22, 23, 0, 1, 2, 3})
    found = light_days(
        at_ms, values, Quantity.PPFD, date(2026, 3, 10), date(2026, 3, 11), LISBON, now_ms=int(at_ms[-1]) + 300_000
    )

    assert [day.lit_h for day in found] == pytest.approx([8.0, 8.0])


def test_a_gap_is_unknown_and_not_dark() -> None:
    """Six hours unheard: stated, and the integral is what is known."""
    begin = datetime(2026, 3, 10, tzinfo=LISBON).astimezone(UTC)
    at_ms, values = course(begin, 24, set(range(6, 22)))
    hour = (at_ms - at_ms[0]) / 3_600_000
    keep = (hour < 10) | (hour >= 16)
    (found,) = light_days(
        at_ms[keep], values[keep], Quantity.PPFD, date(2026, 3, 10), date(2026, 3, 10), LISBON,
        now_ms=int(at_ms[-1]) + 300_000,
    )  # fmt: skip

    assert found.unknown_h == pytest.approx(5.5, abs=0.1)  # the last reading before it stands for half an hour
    assert found.dark_h == pytest.approx(8.0)
    assert found.lit_h == pytest.approx(10.5, abs=0.1)


def test_flicker_between_dark_and_lit_does_not_count_twice() -> None:
    """A value in the dead zone keeps what was before."""
    lit = is_lit(np.array([10.0, 150, 180, 210, 180, 150, 130, 110, 150]), 200, 120)

    assert lit.tolist() == [False, False, False, True, True, True, True, False, False]


@given(st.lists(st.floats(0, 20_000), min_size=1, max_size=60), st.integers(1, 90))
def test_the_hours_of_a_day_are_all_accounted_for(values: list[float], every_min: int) -> None:
    """A law: lit + dark + unknown = the day's hours, whatever was heard."""
    begin = datetime(2026, 3, 29, tzinfo=LISBON)
    at_ms = np.array([round(begin.timestamp() * 1000) + place * every_min * 60_000 for place in range(len(values))])
    now_ms = round((begin + timedelta(days=5)).timestamp() * 1000)
    (found,) = light_days(
        at_ms.astype(np.int64),
        np.array(values),
        Quantity.LIGHT,
        date(2026, 3, 29),
        date(2026, 3, 29),
        LISBON,
        now_ms=now_ms,
    )

    assert found.lit_h + found.dark_h + found.unknown_h == pytest.approx(23.0)


def test_a_real_rooms_light() -> None:
    """[UCI-OCCUPANCY] 1,500 minutes of an office: each day's hours lit lie between the minutes over 200 and 120 lx."""
    with ROOM.open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    at = [datetime.fromisoformat(row[1]).replace(tzinfo=UTC) for row in rows]
    values = np.array([float(row[4]) for row in rows])
    at_ms = np.array([round(each.timestamp() * 1000) for each in at], dtype=np.int64)
    found = light_days(
        at_ms, values, Quantity.LIGHT, at[0].date(), at[-1].date(), ZoneInfo("UTC"), now_ms=int(at_ms[-1]) + 60_000
    )

    for day in found:
        of_day = [value for each, value in zip(at, values, strict=True) if each.date() == day.day]
        bright, dim = (sum(value >= limit for value in of_day) / 60 for limit in (200, 120))
        assert bright - 0.05 <= day.lit_h <= dim + 0.05
    assert sum(day.lit_h for day in found) > 5
