"""When an alarm comes and when it goes: on-delay, off-delay and the states, against what the standards print.

[OPCUA-9] (IEC 62541-9) 5.8.2 and annex B.1.5 were looked up: a value has to be beyond its limit for the whole
on-delay before the alarm is active, and stays in alarm for the off-delay after it is back. The annex's deadband, by
which a value has to come back before it counts as normal, is that of alerts/excursion.py. alerts/judge.py, which lamps
and light go by, has none: one good reading ends a run there. The ways between the states are from memory, as said
below.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.alarms import OFF_DELAY, Alarm, AlarmState, Happening, move, step
from alerts.findings import Finding, Priority, Tick
from alerts.judge import judge
from alerts.stages import look
from monitor.live import LiveBuffer
from monitor.readings import Block, Reading
from tests.support.farms import farm, sensor_text

START = datetime(2026, 3, 2, 12, tzinfo=UTC)
MINUTE, MS = timedelta(minutes=1), timedelta(milliseconds=1)
HOLD = timedelta(minutes=15)
LIMITS = (1.0, 5.0)


def heard(values: list[float], *, sensor: str = "t", every: timedelta = MINUTE) -> LiveBuffer:
    """Return what is live after readings at an interval from START on."""
    live = LiveBuffer()
    live.take(
        Block.from_readings(
            [
                Reading(sensor=sensor, measured_at=START + place * every, value=value)
                for place, value in enumerate(values)
            ]
        )
    )
    return live


@pytest.mark.parametrize(
    ("look_at", "is_told"),
    [
        pytest.param(10 * MINUTE + HOLD - MS, False, id="a millisecond before the on-delay is over"),
        pytest.param(10 * MINUTE + HOLD, True, id="at the on-delay"),
        pytest.param(10 * MINUTE + HOLD + MS, True, id="a millisecond after"),
    ],
)
@pytest.mark.parametrize("value", [5.1, 0.9])
def test_the_on_delay_counts_from_the_first_reading_outside(look_at: timedelta, is_told: bool, value: float) -> None:
    """[OPCUA-9] B.1.5: beyond the limit for the whole on-delay; ours begins with the reading that was first there."""
    live = heard([3.0] * 10 + [value] * 16)

    outside = judge(live, "t", *LIMITS, HOLD, START + look_at)

    assert (outside is not None) is is_told
    if outside is not None:
        assert outside.since == START + 10 * MINUTE
        assert outside.is_low is (value < 1)


@pytest.mark.parametrize("value", LIMITS)
def test_a_value_on_its_limit_is_not_beyond_it(value: float) -> None:
    """Both ends of a span belong to it."""
    assert judge(heard([value] * 60), "t", *LIMITS, HOLD, START + 60 * MINUTE) is None


@given(st.integers(0, 30), st.integers(1, 15), st.floats(5.01, 60))
def test_a_jump_shorter_than_the_on_delay_is_never_an_alarm(before: int, lasting: int, value: float) -> None:
    """[OPCUA-9] B.1.5, the motor's starting current: a jump of up to 15 readings, a minute apart, at any look."""
    values = [3.0] * before + [value] * lasting + [3.0] * 30
    for place in range(len(values)):
        live = heard(values[: place + 1])
        assert judge(live, "t", *LIMITS, HOLD, START + place * MINUTE) is None


def test_one_good_reading_begins_the_on_delay_anew() -> None:
    """Fourteen minutes outside, one inside, fourteen outside: nothing."""
    live = heard([6.0] * 14 + [4.0] + [6.0] * 14)

    assert judge(live, "t", *LIMITS, HOLD, START + 28 * MINUTE) is None


def test_a_place_with_limits_is_told_at_its_on_delay_and_not_before(tmp_path: Path) -> None:
    """Through all rules and stages: a cold store over 5 degC for 15 minutes, to the millisecond."""
    where = farm(tmp_path, more=sensor_text("t", "temperature", "cold"))
    live = heard([3.0] * 5 + [6.0] * 16)

    def rules(at: datetime) -> list[str]:
        tick = Tick(now=at, farm=where, profiles={}, batches={}, live=live, watching_since=START)
        return [finding.rule for finding in look(tick)]

    assert rules(START + 20 * MINUTE - MS) == []
    assert rules(START + 20 * MINUTE) == ["temperature over this place's limit"]


@pytest.mark.parametrize(
    ("back_c", "normal"),
    [pytest.param(4.4, True, id="back by the deadband"), pytest.param(4.6, False, id="inside, not by the deadband")],
)
def test_a_value_must_come_back_by_the_deadband(tmp_path: Path, back_c: float, normal: bool) -> None:
    """[OPCUA-9] annex B.1.5: in alarm over 5, normal under 5 less the deadband, here 0.5 degC for an hour."""
    where = farm(tmp_path, more=sensor_text("t", "temperature", "cold"))
    live = heard([6.0] * 30 + [back_c] * 70)
    tick = Tick(now=START + 99 * MINUTE, farm=where, profiles={}, batches={}, live=live, watching_since=START)

    assert (look(tick) == ()) is normal


def finding(priority: Priority = Priority.MEDIUM) -> Finding:
    """Return a finding of a warm cold store."""
    return Finding(
        rule="too hot", spot="cold", batch=None, sensor="t", priority=priority, since=START, value=6.0, limit=5.0,
        cause="c", consequence="d", action="a",
    )  # fmt: skip


KEY = finding().key


def after(looks: list[tuple[timedelta, bool]]) -> Alarm:
    """Return the alarm after looks at some time after START, each with or without the finding."""
    alarms: dict[str, Alarm] = {}
    for since, wrong in looks:
        alarms = step(alarms, [finding()] if wrong else [], START + since)
    return alarms[KEY]


@pytest.mark.parametrize(
    ("looks", "state"),
    [
        pytest.param([(0, True), (5, False), (15 - 1e-6, False)], "unacknowledged", id="just before the off-delay"),
        pytest.param([(0, True), (5, False), (15, False)], "returned unacknowledged", id="at the off-delay"),
        pytest.param(
            [(0, True), (5, False), (14, True), (15, False), (24.9, False)],
            "unacknowledged",
            id="back within the off-delay: it counts from the next time that it is gone",
        ),
        pytest.param(
            [(0, True), (5, False), (14, True), (15, False), (25, False)],
            "returned unacknowledged",
            id="and lasts as long then",
        ),
        pytest.param([(0, True), (60, False)], "unacknowledged", id="one look without it is not yet an off-delay"),
    ],
)
def test_the_off_delay_keeps_an_alarm_that_is_only_briefly_gone(looks: list[tuple[float, bool]], state: str) -> None:
    """[OPCUA-9] B.1.5: in alarm until the value has been back for the whole off-delay, ten minutes with us."""
    assert timedelta(minutes=10) == OFF_DELAY
    assert after([(minutes * MINUTE, wrong) for minutes, wrong in looks]).state == state


@given(st.lists(st.integers(1, 9), min_size=1, max_size=20))
def test_a_value_that_jumps_about_its_limit_is_one_alarm(gaps: list[int]) -> None:
    """[OPCUA-9] B.1.5: gone for less than the off-delay each time, it stays the alarm that it was."""
    looks, at = [(timedelta(0), True)], timedelta(0)
    for gap in gaps:
        looks += [(at + MS, False), (at + gap * MINUTE, True)]
        at += gap * MINUTE
    alarm = after(looks)

    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert (alarm.first_at, alarm.last_change_at) == (START, START)


@given(st.lists(st.tuples(st.integers(0, 900), st.booleans()), min_size=1, max_size=40))
def test_an_alarm_is_never_gone_sooner_than_the_off_delay(moves: list[tuple[int, bool]]) -> None:
    """A law over any looks: whatever has returned was found wrong ten minutes ago at the latest."""
    alarms: dict[str, Alarm] = {}
    now, wrong_at = START, START
    for seconds, wrong in [(0, True), *moves]:
        now += timedelta(seconds=seconds)
        wrong_at = now if wrong else wrong_at
        alarms = step(alarms, [finding()] if wrong else [], now)
        assert alarms[KEY].is_active or now - wrong_at >= OFF_DELAY


# States and ways of [IEC62682] / [ISA-18.2], all from memory; shelved, suppressed and out of service looked up in
# [OPCUA-9] 4.8 and 5.8.17: nothing that is found moves an alarm into or out of them.
TABLE = {
    "normal": ("unacknowledged", "normal", "normal"),
    "unacknowledged": ("unacknowledged", "returned unacknowledged", "acknowledged"),
    "acknowledged": ("acknowledged", "normal", "acknowledged"),
    "returned unacknowledged": ("unacknowledged", "returned unacknowledged", "normal"),
    "shelved": ("shelved", "shelved", "shelved"),
    "suppressed by design": ("suppressed by design",) * 3,
    "out of service": ("out of service",) * 3,
}


@pytest.mark.parametrize("state", list(AlarmState))
def test_every_way_between_the_states(state: AlarmState) -> None:
    """Raised, cleared and seen, from each of the seven states."""
    alarm = Alarm(key=KEY, state=state, finding=finding(), first_at=START, last_change_at=START)
    later = START + MINUTE
    moved = {happening: move(alarm, happening, later) for happening in Happening}

    ways = tuple(moved[each].state for each in (Happening.RAISED, Happening.CLEARED, Happening.SEEN))
    assert ways == TABLE[state]
    for each in moved.values():
        assert each.last_change_at == (START if each.state is state else later)
