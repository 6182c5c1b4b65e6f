"""What Rounds says of the room, of lines that are late, of promises, and of what is ahead."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Finding, Priority
from dashboards.pages.rounds import RoundsPage, wrong_lines
from dashboards.pages.walk import Line, until_words
from dashboards.web.rounds import page_of
from monitor.ledger import EntryKind, NewEntry
from monitor.readings import Block, to_ms
from tests.support.farms import sensor_text
from tests.support.houses import NOW, Lodge, lodge

AIR = sensor_text("air", "temperature", "cellar") + sensor_text("damp", "humidity", "cellar")


def page(home: Lodge) -> RoundsPage:
    """Return the page as it is now."""
    return cast("RoundsPage", page_of(home.house(), "ines"))


def spoken(home: Lodge, name: str, value: float, minutes_ago: float = 0) -> None:
    """Have a sensor say a value."""
    home.read(
        Block(
            sensors=(name,),
            sensor_index=np.zeros(1, dtype=np.int32),
            measured_at_ms=np.array([to_ms(home.clock() - timedelta(minutes=minutes_ago))], dtype=np.int64),
            value=np.array([value]),
            flag=np.ones(1, dtype=np.int8),
            doubt=np.zeros(1, dtype=np.int16),
        )
    )


def alarm(priority: Priority, state: AlarmState = AlarmState.UNACKNOWLEDGED, rule: str = "too cold") -> Alarm:
    """Return an alarm of the cellar."""
    finding = Finding(
        rule=rule,
        spot="cellar",
        batch=None,
        sensor="air",
        priority=priority,
        since=NOW,
        value=9.0,
        limit=15.0,
        cause="The cellar has 9 °C.",
        consequence="Growth stops.",
        action="Look at the heater.",
    )
    return Alarm(key=finding.key, state=state, finding=finding, first_at=NOW, last_change_at=NOW)


def lines(home: Lodge) -> dict[str, Line]:
    """Return the lines to do by batch and kind."""
    return {line.key: line for stop in page(home).stops for line in stop.lines}


def test_the_room_is_told_in_one_sentence_with_its_age(tmp_path: Path) -> None:
    """The middle of what its sensors say, and how old that is."""
    home = lodge(tmp_path, more=AIR)
    spoken(home, "air", 18.4, minutes_ago=3)
    spoken(home, "damp", 62, minutes_ago=3)

    assert page(home).room == "All is well: cellar 18.5 °C and 62 % humidity, 3 min ago."


def test_a_room_that_has_gone_silent_is_not_called_well(tmp_path: Path) -> None:
    """What was said two hours ago says nothing of now."""
    home = lodge(tmp_path, more=AIR)
    spoken(home, "air", 18.4, minutes_ago=120)

    assert page(home).room == "Nothing is known to be wrong, but no sensor has spoken lately."


def test_what_is_wrong_stands_on_the_round_and_in_its_sentence(tmp_path: Path) -> None:
    """With what to do; the room is not said to be well then."""
    home = lodge(tmp_path, more=AIR)
    home.alarms = {"x": alarm(Priority.URGENT)}

    shown = page(home)

    assert [(each.says, each.is_urgent) for each in shown.wrong] == [("The cellar has 9 °C. Look at the heater.", True)]
    assert shown.room == "One thing is wrong now."


def test_only_what_is_wrong_now_and_worth_a_line_is_said() -> None:
    """What is kept but not told, put aside or over, is not; the most pressing comes first."""
    found = wrong_lines(
        [
            alarm(Priority.MEDIUM, rule="a"),
            alarm(Priority.LOW, rule="b"),
            alarm(Priority.URGENT, rule="c"),
            alarm(Priority.URGENT, AlarmState.SHELVED, rule="d"),
            alarm(Priority.URGENT, AlarmState.RETURNED_UNACKNOWLEDGED, rule="e"),
        ]
    )

    assert [each.is_urgent for each in found] == [True, False]


@pytest.mark.parametrize(
    ("latest", "words"),
    [
        (date(2026, 3, 3), "was to be done by Tue 3 Mar"),
        (date(2026, 3, 4), "today"),
        (date(2026, 3, 5), "until tomorrow"),
        (date(2026, 3, 9), "until Mon 9 Mar"),
    ],
)
def test_until_when_is_said_as_people_say_it(tmp_path: Path, latest: date, words: str) -> None:
    """Seen from Wednesday 4 March."""
    from dataclasses import replace

    home = lodge(tmp_path)
    home.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    (task, *_) = home.house().lookout.moment(home.clock()).tasks

    assert until_words(replace(task, latest_on=latest), date(2026, 3, 4)) == words


def test_a_line_past_its_latest_day_says_so_in_words(tmp_path: Path) -> None:
    """Colour alone would tell nobody who cannot see it."""
    home = lodge(tmp_path)
    home.sow("3", "sunflower", 8, "cellar/2/1", days_ago=20)

    (late,) = [line for key, line in lines(home).items() if "harvest" in key]

    assert late.is_late
    assert late.mark == "Past its latest day"


def test_what_is_promised_comes_last_and_is_answered_on_its_own_page(tmp_path: Path) -> None:
    """A sowing for a promise cannot be tapped away; the line leads to where it is entered."""
    home = lodge(tmp_path)
    home.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    data = {"promise": "P1", "crop": "pea", "for": "2026-03-14", "whom": "the corner table", "every_days": None}
    home.enter(NewEntry(kind=EntryKind.PROMISED, at=home.clock(), by="ines", trays=4, data={**data, "living": False}))

    last = page(home).stops[-1]

    assert last.name == "What is promised"
    assert [line.elsewhere for line in last.lines] == ["Enter the sowing"]
    assert last.lines[0].opens.startswith("/sow?crop=pea&trays=")
    assert not last.may_all


def test_what_comes_is_told_for_the_next_round_and_for_tomorrow(tmp_path: Path) -> None:
    """Each once, and not what is to be done now anyway."""
    home = lodge(tmp_path)
    home.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    home.sow("7", "radish", 2, "cellar/1/3", days_ago=1)

    shown = page(home)

    assert shown.next_at == "17:00"
    assert any("batch 7 radish" in line for line in shown.tomorrow_lines)
    assert not any("batch 1 " in line for line in (*shown.next_lines, *shown.tomorrow_lines))
