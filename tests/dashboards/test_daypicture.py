"""A picture as values: what it says in words, what makes two of them the same, what lies beneath."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboards.daypicture import (
    DayPicture,
    Mark,
    Panel,
    Shade,
    Silence,
    Trace,
    Wanted,
    content_key,
    describe,
    spread,
    with_compared,
)
from monitor.readings import to_ms

SOWN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def trace(begin: datetime, values: list[float], step: timedelta = HOUR / 6) -> Trace:
    """Return a series of readings at a steady step."""
    at_ms = np.array([to_ms(begin + step * place) for place in range(len(values))], dtype=np.int64)
    return Trace(name="air-1", at_ms=at_ms, value=np.array(values))


def picture(**more: object) -> DayPicture:
    """Return a picture of two days with one panel."""
    whole = DayPicture(
        title="Batch 12 radish",
        zone=ZoneInfo("Europe/Lisbon"),
        sown_at=SOWN,
        begins_at=SOWN,
        ends_at=SOWN + 48 * HOUR,
        phases=(Shade(name="germination", begins_at=SOWN, ends_at=SOWN + 48 * HOUR),),
        panels=(
            Panel(
                name="temperature",
                unit="°C",
                traces=(trace(SOWN, [20.0, 22.0] * 72),),
                wanted=(Wanted(begins_at=SOWN, ends_at=SOWN + 48 * HOUR, low=21.0, high=None),),
            ),
        ),
        marks=(Mark(what="watered", at=SOWN + HOUR, row="watered"), Mark(what="water", at=SOWN, row="asked for")),
    )
    return replace(whole, **more)  # type: ignore[arg-type] # a test names the fields it changes


def test_words_say_what_the_picture_shows() -> None:
    """Days, phases, each quantity with numbers, share in band, what was entered and asked."""
    said = describe(picture())

    assert said.startswith("Batch 12 radish, Mon 2 Mar to Wed 4 Mar.")
    assert "Phases: germination from Mon 2 Mar 09:00." in said
    assert "Temperature 20.0 to 22.0 °C, mean 21.0; known 51% of the time, inside its band 51% of that time." in said
    assert "Entered: watered." in said
    assert "Asked for: once." in said


def test_words_say_what_is_not_measured_and_why() -> None:
    """Nothing under the cover is said as such, not left out."""
    silent = Silence(begins_at=SOWN, ends_at=SOWN + HOUR, why="not measured under the cover")
    panel = Panel(name="humidity", unit="%", traces=(), silences=(silent,))

    assert "Humidity: not measured under the cover." in describe(picture(panels=(panel,)))


def test_two_pictures_share_a_key_only_if_they_show_the_same() -> None:
    """One changed reading, one more mark, another title: another key."""
    whole = picture()
    other = [
        picture(title="Batch 13 radish"),
        picture(marks=()),
        picture(panels=(replace(whole.panels[0], traces=(trace(SOWN, [20.0, 22.0] * 71 + [20.0, 22.5]),)),)),
    ]

    assert content_key(whole) == content_key(picture())
    assert len({content_key(each) for each in [whole, *other]}) == 4


def test_comparison_batches_are_moved_so_that_all_were_sown_at_once() -> None:
    """A batch sown five days before lies five days later beneath, cut to the days that are shown."""
    days = timedelta(days=5)
    earlier = picture(
        title="Batch 7 radish",
        sown_at=SOWN - days,
        panels=(
            Panel(name="temperature", unit="°C", traces=(trace(SOWN - days, [18.0] * 500),)),
            Panel(name="light", unit="lx", traces=(trace(SOWN - days, [1.0] * 9),)),
        ),
    )

    found = with_compared(picture(), [earlier])

    [beneath] = found.panels[0].beneath
    assert (beneath.name, beneath.at_ms[0]) == ("Batch 7 radish", to_ms(SOWN))
    assert beneath.at_ms[-1] <= to_ms(SOWN + 48 * HOUR)
    assert len(found.panels) == 1
    assert "Beneath, in grey: Batch 7 radish." in describe(found)


@pytest.mark.parametrize(
    ("values", "known", "inside"),
    [
        pytest.param([21.0] * 6, 1.0, 1.0, id="a whole hour inside"),
        pytest.param([21.0, 21.0, 21.0, 20.0, 20.0, 20.0], 1.0, 0.5, id="half of it under the lower end"),
        pytest.param([20.0], 0.75, 0.0, id="one reading stands for a gap's length at most"),
        pytest.param([21.0, *[float("nan")] * 4, 21.0], 55 / 60, 1.0, id="a gap counts neither way"),
    ],
)
def test_the_spread_counts_time_not_readings(values: list[float], known: float, inside: float) -> None:
    """Each reading stands until the next, at most three quarters of an hour."""
    panel = replace(picture().panels[0], traces=(trace(SOWN, values),))

    found = spread(panel, SOWN, SOWN + HOUR)

    assert found is not None
    assert found.known == pytest.approx(known)
    assert found.inside == pytest.approx(inside)


def test_of_nothing_there_is_no_spread() -> None:
    """No readings in that time, or no series at all."""
    assert spread(picture().panels[0], SOWN - 2 * HOUR, SOWN - HOUR) is None
    assert spread(Panel(name="light", unit="lx", traces=()), SOWN, SOWN + HOUR) is None
