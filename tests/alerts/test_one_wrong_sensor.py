"""A sensor that goes wrong raises itself and no alarm of the room; a room that goes wrong raises the room."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from alerts.alarms_sql import SqlAlarms
from monitor.flagger import flag_all
from monitor.ledger import EntryKind
from tests.support.air import Course, said
from tests.support.farms import Book, farm, new, sensor_text
from tests.support.stage import Stage

BOOK = Book()
NOW = BOOK.at("2026-03-20", "21:00")
DAYS = 5
SPOTS = {"t1": "cellar/1/1", "t2": "cellar/1/2", "t3": "cellar/1/3"}


def room(level: float) -> Callable[[float], float]:
    """Return a course about a level that swings a little each day."""
    return lambda before: level + 0.5 * float(np.sin(before / 24 * 2 * np.pi)) + 0.05 * (int(before * 12) % 7)


def plus(level: float, more: Callable[[float], float]) -> Course:
    """Return the course with something on top."""
    return lambda before: room(level)(before) + more(before)


def drift(before: float) -> float:
    """Return half a degree an hour of the last 40 hours, down."""
    return -max(40 - before, 0.0) * 0.5


def under_lamp(before: float) -> float:
    """Return eight degrees while the lamp is on, from 06:00 to 22:00."""
    return 8.0 if 5 <= (21 - before) % 24 < 21 else 0.0


PLAIN: Mapping[str, Course] = {"t1": room(21.0), "t2": room(21.5), "t3": room(20.7)}


def raised(folder: Path, courses: Mapping[str, Course]) -> set[str]:
    """Return the rules that raised an alarm in the last two days, basil standing on each shelf that has a sensor."""
    where = farm(folder, more="".join(sensor_text(name, "temperature", SPOTS[name]) for name in courses))
    stage = Stage(where, folder / "data", since=NOW - timedelta(days=DAYS), look_every=timedelta(minutes=30))
    sown = NOW - timedelta(days=9)
    for number, name in enumerate(courses, start=1):
        data = {"crop": "basil", "tray_kind": "1020"}
        stage.enter(
            new(EntryKind.SOWN, sown, str(number), trays=4, spot=SPOTS[name], data=data),
            new(EntryKind.LIGHTS_ON, sown + timedelta(days=6), str(number), data={}),
        )
    block = flag_all(said(NOW, courses, hours=24 * DAYS, every=timedelta(minutes=5)), where)
    at, place = NOW - timedelta(hours=50), 0
    while at <= NOW:
        upto = int(np.searchsorted(block.measured_at_ms, at.timestamp() * 1000))
        stage.live.take(block.rows(slice(place, upto)))
        place = upto
        stage.run(at)
        at += timedelta(minutes=30)
    rules = {alarm.finding.rule for alarm in SqlAlarms(stage.ledger.engine).load().values()}
    stage.close()
    return rules


ONE_OFF = {**PLAIN, "t2": plus(21.5, drift)}
TWO = {name: PLAIN[name] for name in ("t1", "t2")}


@pytest.mark.parametrize(
    ("courses", "rules"),
    [
        pytest.param(PLAIN, set(), id="all is well"),
        pytest.param(ONE_OFF, {"sensor disagrees"}, id="one drifts down to 2 degC"),
        pytest.param(
            {**PLAIN, "t2": plus(21.5, under_lamp)}, {"sensor is warmed by the lamp"}, id="the lamp shines on one"
        ),
        pytest.param({**TWO, "t2": plus(21.5, drift)}, {"sensor disagrees"}, id="of two one drifts"),
    ],
)  # fmt: skip
def test_a_sensor_that_is_wrong_raises_itself_only(
    tmp_path: Path, courses: Mapping[str, Course], rules: set[str]
) -> None:
    """Whatever it shows, and whatever harm that would do."""
    assert raised(tmp_path, courses) == rules


@pytest.mark.parametrize("names", [("t1", "t2", "t3"), ("t1", "t2"), ("t1",)], ids=["three", "two", "one"])
def test_a_dead_heater_raises_the_room(tmp_path: Path, names: tuple[str, ...]) -> None:
    """All move: nobody disagrees, and the cold is told."""
    courses = {name: plus(21.0, drift) for name in names}

    found = raised(tmp_path, courses)

    assert "too cold" in found
    assert "sensor disagrees" not in found


def test_a_dead_heater_is_told_though_one_of_three_is_wrong(tmp_path: Path) -> None:
    """The two good ones tell of it."""
    courses = {
        "t1": plus(21.0, drift),
        "t3": plus(20.7, drift),
        "t2": plus(21.5, lambda b: max(90 - b, 0.0) * 0.2),
    }

    assert raised(tmp_path, courses) >= {"too cold", "sensor disagrees"}


def test_two_that_have_parted_still_tell_of_a_cold_that_both_show(tmp_path: Path) -> None:
    """One drifts down, then the heater dies: outside by both, so it is told."""
    courses = {
        "t1": plus(21.0, lambda b: -max(20 - b, 0.0) * 0.9),
        "t2": plus(21.5, lambda b: -min(max(70 - b, 0.0) * 0.1, 4.0) - max(20 - b, 0.0) * 0.9),
    }

    assert raised(tmp_path, courses) >= {"too cold", "sensor disagrees"}
