"""What people say to alarms: heard, put aside, out of service; and who is told when nobody answers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alerts.alarms import Alarm, AlarmState, step
from alerts.answers import Answer, Answers, answered, answers_of, say_state, short_key
from alerts.findings import Finding, Priority
from monitor.ledger import EntryKind
from monitor.readings import Block, Reading
from tests.support.farms import Book, farm, sensor_text
from tests.support.stage import Stage

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def finding(priority: Priority = Priority.MEDIUM) -> Finding:
    """Return a finding of a cold shelf."""
    return Finding(
        rule="too cold", spot="cellar/1/2", batch="3", sensor="t12", priority=priority, since=NOW, value=11.0,
        limit=18.0,
        cause="11 degC.", consequence="Growth stalls.", action="See that the heater runs.",
    )  # fmt: skip


KEY = finding().key


def after(
    steps: list[tuple[float, bool, Answers]],
    *,
    priority: Priority = Priority.MEDIUM,
    begin: dict[str, Alarm] | None = None,
) -> Alarm:
    """Return the alarm after looks at some hours, each with or without the finding, and what people had said."""
    alarms = begin or {}
    for hours, wrong, answers in steps:
        now = NOW + hours * HOUR
        found = [finding(priority)] if wrong else []
        alarms = answered(step(alarms, found, now), [each.key for each in found], answers, now)
    return alarms[KEY]


NOBODY = Answers()
HEARD = Answers(heard={KEY: Answer(at=NOW + HOUR, by="ines")})
ASIDE = Answers(aside={KEY: Answer(at=NOW + HOUR, by="ines", until=NOW + 5 * HOUR, why="cleaning")})
RESTING = Answers(resting={"t12": Answer(at=NOW + HOUR, by="ines", until=NOW + 5 * HOUR, why="battery")})


@pytest.mark.parametrize(
    ("steps", "state"),
    [
        pytest.param([(0, True, NOBODY)], "unacknowledged", id="it came"),
        pytest.param([(0, True, NOBODY), (1, True, HEARD)], "acknowledged", id="somebody is on it"),
        pytest.param(
            [(0, True, NOBODY), (1, False, NOBODY), (2, False, NOBODY)], "returned unacknowledged", id="went unseen"
        ),
        pytest.param(
            [(0, True, NOBODY), (0.5, False, NOBODY), (0.8, False, NOBODY), (1, False, HEARD)],
            "normal",
            id="looked at later",
        ),
        pytest.param(
            [(0, True, NOBODY), (1, True, HEARD), (2, False, HEARD), (3, False, HEARD)], "normal", id="heard, then gone"
        ),
        pytest.param(
            [(0, True, NOBODY), (1, True, HEARD), (2, False, HEARD), (3, False, HEARD), (4, True, HEARD)],
            "unacknowledged",
            id="an old answer does not answer the next time",
        ),
        pytest.param([(0, True, NOBODY), (1, True, ASIDE)], "shelved", id="put aside"),
        pytest.param(
            [(0, True, NOBODY), (1, True, ASIDE), (6, True, ASIDE)], "unacknowledged", id="back when its time is over"
        ),
        pytest.param(
            [(0, True, NOBODY), (1, True, ASIDE), (6, False, ASIDE)], "normal", id="gone when its time is over"
        ),
        pytest.param([(0, True, NOBODY), (1, True, ASIDE), (2, True, NOBODY)], "unacknowledged", id="taken back"),
        pytest.param([(0, True, NOBODY), (1, True, RESTING)], "out of service", id="its sensor rests"),
        pytest.param([(2, True, RESTING)], "out of service", id="it came while its sensor rested"),
        pytest.param(
            [(0, True, NOBODY), (1, True, RESTING), (6, True, RESTING)], "unacknowledged", id="back in service"
        ),
    ],
)
def test_states_after_answers(steps: list[tuple[float, bool, Answers]], state: str) -> None:
    """[ISA-18.2], [OPCUA-9]: shelving ends by time or by hand; an answer holds for its own raise only."""
    assert after(steps).state == state


def test_an_answer_to_the_lower_step_is_none_to_the_higher() -> None:
    """Too cold was heard; urgent cold has to be heard anew."""
    mild = after([(0, True, NOBODY), (1, True, HEARD)])
    grave = after([(2, True, HEARD)], priority=Priority.URGENT, begin={KEY: mild})

    assert mild.state is AlarmState.ACKNOWLEDGED
    assert grave.state is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("steps", "answers", "says"),
    [
        ([(0, True, NOBODY)], NOBODY, "wrong now, nobody has answered"),
        ([(0, True, NOBODY), (1, True, HEARD)], HEARD, "wrong now, ines is on it"),
        ([(0, True, NOBODY), (1, False, NOBODY), (2, False, NOBODY)], NOBODY, "back to normal, nobody has looked"),
        ([(0, True, NOBODY), (1, True, ASIDE)], ASIDE, "put aside (cleaning)"),
    ],
)
def test_states_read_plainly(steps: list[tuple[float, bool, Answers]], answers: Answers, says: str) -> None:
    """No word of the standard reaches a grower."""
    assert say_state(after(steps), answers) == says


def test_the_ledger_keeps_the_newest_word() -> None:
    """Aside, taken back; out of service, back."""
    book = Book()
    at = book.at("2026-03-02")
    book.add(EntryKind.SHELVED, at, None, data={"alarm": KEY, "until": (at + HOUR).isoformat(), "why": "x"})
    book.add(EntryKind.OUT_OF_SERVICE, at, None, data={"sensor": "t12", "until": (at + HOUR).isoformat(), "why": "y"})
    before = answers_of(book.entries)
    book.add(EntryKind.UNSHELVED, at + HOUR, None, data={"alarm": KEY})
    book.add(EntryKind.IN_SERVICE, at + HOUR, None, data={"sensor": "t12"})
    later = answers_of(book.entries)

    assert before.aside[KEY].why == "x"
    assert before.resting["t12"].until == at + HOUR
    assert later == Answers()


def test_an_urgent_alarm_that_nobody_answers_goes_to_the_next_person_once(tmp_path: Path) -> None:
    """Ines is on duty on Monday, Tomek only on Saturdays: after 15 minutes he is told too, and only once."""
    where = farm(tmp_path, more=sensor_text("store", "temperature", "cold"))
    stage = Stage(where, tmp_path / "data", since=NOW, look_every=timedelta(minutes=1))
    try:
        begin = datetime(2026, 3, 2, 12, tzinfo=UTC)
        for minute in range(80):
            at = begin + timedelta(minutes=minute)
            stage.live.take(Block.from_readings([Reading(sensor="store", measured_at=at, value=11.0)]))
            stage.run(at)
        taken = [(str(payload["key"]), text) for text, payload in stage.channel.taken]
    finally:
        stage.close()
    first = [key for key, _ in taken if key.startswith("alarm:")]
    again = [(key, text) for key, text in taken if key.startswith("unanswered:")]

    assert [key.split("|")[-2] for key in first] == ["ines"]
    assert [key.split("|")[-2] for key, _ in again] == ["tomek"]
    assert "nobody has answered since" in again[0][1]
    assert "traywarden heard " in again[0][1]


def test_short_keys_are_four_clear_letters() -> None:
    """Without the letters and digits that are taken for each other."""
    keys = {short_key(f"{number}") for number in range(2000)}

    assert len(keys) > 1990
    assert all(len(key) == 4 and not set(key) & set("ILO01") for key in keys)
