"""Sensors that hang, leave their neighbours, or are warmed by the lamp."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.crosscheck import gone_by, lamp_step, off_neighbours
from tests.support.air import Course, found, moment
from tests.support.farms import Book, farm, sensor_text

RULES = ("sensor is stuck", "sensor disagrees", "sensor is warmed by the lamp")
SENSORS = "".join(sensor_text(f"t{shelf}", "temperature", f"cellar/1/{shelf}") for shelf in (1, 2, 3))
SENSORS += "".join(sensor_text(f"h{shelf}", "humidity", f"cellar/1/{shelf}") for shelf in (1, 2, 3))
NOW = Book().at("2026-03-20", "21:00")


def swing(level: float, by: float = 1.0) -> Callable[[float], float]:
    """Return a course that swings once a day, and a little all the time."""
    return lambda before: level + by * float(np.sin(before / 24 * 2 * np.pi)) + 0.05 * (int(before * 12) % 7)


def plus(more: Callable[[float], float]) -> Course:
    """Return the course of the second thermometer with something on top."""
    return lambda before: swing(21.5)(before) + more(before)


PLAIN: Mapping[str, Course] = {
    "t1": swing(21.0), "t2": swing(21.5), "t3": swing(20.5), "h1": swing(60.0), "h2": swing(62.0), "h3": swing(58.0),
}  # fmt: skip


def after(hours: float, course: Course, then: Course) -> Course:
    """Return a course that changes to another one so many hours before now."""
    return lambda before: then(before) if before <= hours else course(before)


@pytest.mark.parametrize(
    ("changed", "rules"),
    [
        pytest.param({}, [], id="all follow each other"),
        pytest.param({"t2": after(3, PLAIN["t2"], lambda _: 21.4)}, ["sensor is stuck"], id="the same for three hours"),
        pytest.param({"t2": after(1, PLAIN["t2"], lambda _: 21.4)}, [], id="the same for one hour"),
        pytest.param({"h2": after(9, PLAIN["h2"], lambda _: 99.0)}, ["sensor disagrees"], id="99 % is not stuck"),
        pytest.param({"t2": plus(lambda b: max(60 - b, 0) / 20)}, ["sensor disagrees"], id="drifts away"),
        pytest.param({name: swing(24.0) for name in ("t1", "t2", "t3")}, [], id="the whole room is warmer"),
        pytest.param(
            {"t2": plus(lambda b: 5.0 if 5 <= (21 - b) % 24 < 21 else 0.0)}, ["sensor is warmed by the lamp"],
            id="five degrees under the lamp",
        ),
    ],
)  # fmt: skip
def test_what_is_odd_says_so(tmp_path: Path, changed: Mapping[str, Course], rules: list[str]) -> None:
    """By its own past and by its neighbours; the lamp is on from 06:00 to 22:00."""
    tick = moment(farm(tmp_path, more=SENSORS), Book(), NOW, {**PLAIN, **changed}, hours=90)

    assert [finding.rule for finding in found(tick, *RULES)] == rules


def test_two_alone_are_not_held_against_each_other() -> None:
    """Of two that differ nobody can say which is right."""
    assert np.isnan(off_neighbours(np.array([20.0]), np.array([[25.0]]))).all()


@settings(max_examples=50, deadline=None)
@given(st.floats(-20, 20), st.floats(-5, 5))
def test_a_room_that_moves_as_one_leaves_nobody_behind(level: float, step: float) -> None:
    """A law: what all share cancels; what one alone does is what is found."""
    room = np.concatenate([np.full(40, level), np.zeros(60)])
    own = room + np.concatenate([np.full(40, step), np.zeros(60)])
    off = off_neighbours(own, np.array([room, room]))

    assert gone_by(off, lately=16, before=48) == pytest.approx(step, abs=1e-9)


def test_a_lamp_step_needs_both_night_and_day() -> None:
    """Four hours of either at least."""
    off = np.concatenate([np.full(10, 3.0), np.full(38, 0.0)])
    lit = np.arange(48) < 10

    assert lamp_step(off, lit) == pytest.approx(3.0)
    assert np.isnan(lamp_step(off, np.arange(48) < 4))
