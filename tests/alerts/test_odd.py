"""Sensors that hang, have gone from their neighbours, or are warmed by the lamp, say so themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.crosscheck import OF_HUMIDITY, OF_TEMPERATURE, gone, has_gone, lamp_step
from tests.support.air import Course, flagged_moment, found
from tests.support.farms import Book, farm, sensor_text

RULES = ("sensor is stuck", "sensor disagrees", "sensor is warmed by the lamp")
SENSORS = "".join(sensor_text(f"t{shelf}", "temperature", f"cellar/1/{shelf}") for shelf in (1, 2, 3))
SENSORS += "".join(sensor_text(f"h{shelf}", "humidity", f"cellar/1/{shelf}") for shelf in (1, 2, 3))
TWO = sensor_text("t1", "temperature", "cellar/1/1") + sensor_text("t2", "temperature", "cellar/1/2")
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
        pytest.param({"h2": after(9, PLAIN["h2"], lambda _: 99.0)}, [], id="99 % is not stuck; the air may stand"),
        pytest.param({"h2": after(9, PLAIN["h2"], lambda b: 20 + b)}, ["sensor disagrees"], id="far too dry at once"),
        pytest.param({"h2": after(40, PLAIN["h2"], lambda b: 82 - b / 2)}, ["sensor disagrees"], id="creeps up"),
        pytest.param({"t2": plus(lambda b: max(60 - b, 0) / 20)}, ["sensor disagrees"], id="drifts away"),
        pytest.param({"t2": plus(lambda b: 2.0 if b < 30 else 0.0)}, [], id="two degrees at once are a lamp's doing"),
        pytest.param({"t2": plus(lambda b: -6.0 if b < 5 else 0.0)}, ["sensor disagrees"], id="six degrees at once"),
        pytest.param({name: swing(24.0) for name in ("t1", "t2", "t3")}, [], id="the whole room is warmer"),
        pytest.param(
            {"t2": plus(lambda b: 5.0 if 5 <= (21 - b) % 24 < 21 else 0.0)}, ["sensor is warmed by the lamp"],
            id="five degrees under the lamp",
        ),
    ],
)  # fmt: skip
def test_what_is_odd_says_so(tmp_path: Path, changed: Mapping[str, Course], rules: list[str]) -> None:
    """By its own past and by its neighbours; the lamp is on from 06:00 to 22:00."""
    tick = flagged_moment(farm(tmp_path, more=SENSORS), Book(), NOW, {**PLAIN, **changed}, hours=120)

    assert [finding.rule for finding in found(tick, *RULES)] == rules


def test_of_two_that_part_nobody_can_say_which_is_right(tmp_path: Path) -> None:
    """Both say so, and in what words."""
    courses = {"t1": PLAIN["t1"], "t2": plus(lambda b: max(60 - b, 0) / 20)}

    both = found(flagged_moment(farm(tmp_path, more=TWO), Book(), NOW, courses, hours=120), *RULES)

    assert [(each.rule, each.sensor) for each in both] == [("sensor disagrees", "t1"), ("sensor disagrees", "t2")]
    assert "its only neighbour t2" in both[0].cause
    assert "the room is told of only where both are outside" in both[0].cause


@pytest.mark.parametrize(
    ("by_hour", "says"),
    [
        pytest.param(0.2, "either the trays there heat up by themselves, or it is wrong", id="warmer"),
        pytest.param(-0.2, "never so much colder", id="colder"),
    ],
)
def test_under_a_cover_it_says_what_it_may_be(tmp_path: Path, by_hour: float, says: str) -> None:
    """A pile may heat up; it does not cool down."""
    where = farm(tmp_path, more=SENSORS + sensor_text("c", "temperature", "cellar/1/1", under_cover=True))
    courses = {**PLAIN, "c": lambda before: swing(22.0)(before) + max(40 - before, 0) * by_hour}

    (finding,) = found(flagged_moment(where, Book(), NOW, courses, hours=120), *RULES)

    assert (finding.sensor, finding.rule) == ("c", "sensor disagrees")
    assert says in finding.cause


@settings(max_examples=50, deadline=None)
@given(st.floats(-20, 20), st.floats(-5, 5))
def test_a_room_that_moves_as_one_leaves_nobody_behind(level: float, step: float) -> None:
    """A law: what all share cancels; what one alone does is what is found."""
    room = np.concatenate([np.zeros(60), np.full(40, level)])
    own = room + np.concatenate([np.zeros(60), np.full(40, step)])

    assert gone(np.stack([own, room, room]))[0, -1] == pytest.approx(step, abs=1e-9)
    assert gone(np.stack([own, room]))[:, -1] == pytest.approx([step, -step], abs=1e-9)


@pytest.mark.parametrize(
    ("hours", "says"),
    [
        pytest.param(0.5, False, id="within half an hour, as when a lamp comes on"),
        pytest.param(6, True, id="over six hours"),
    ],
)
def test_a_drift_is_told_from_a_step(hours: float, *, says: bool) -> None:
    """Both end 2 degC off."""
    line = np.clip((np.arange(100) - 60) / (2 * hours), 0, 1) * 2.0

    assert has_gone(line, 99, OF_TEMPERATURE) is says


def test_steps_that_come_and_go_with_the_lamp_are_no_drift() -> None:
    """A fan has died: damp by day, and at night not quite back to what it was."""
    line = np.concatenate([np.zeros(40), np.full(30, 9.0), np.full(16, 3.5), [5.0, 7.5], np.full(20, 9.0)])

    assert not any(has_gone(line, place, OF_HUMIDITY, shown=9.0) for place in range(40, len(line)))


def test_what_is_parted_from_the_warmth_beside_it_is_the_thermometers_doing() -> None:
    """A humidity sensor that shows what it did has not gone, whatever its vapour pressure would be."""
    line = np.linspace(0, 20, 100)

    assert has_gone(line, 99, OF_TEMPERATURE, shown=20.0)
    assert not has_gone(line, 99, OF_TEMPERATURE, shown=-1.0)


def test_a_lamp_step_needs_both_night_and_day() -> None:
    """Four hours of either at least."""
    lit = np.arange(48) < 10
    values = np.stack([np.where(lit, 24.0, 20.0), np.full(48, 20.0), np.full(48, 20.5)])

    assert lamp_step(values, np.stack([lit] * 3))[0] == pytest.approx(3.5)  # the middle moves by half a degree
    assert np.isnan(lamp_step(values, np.stack([np.arange(48) < 4] * 3))).all()
