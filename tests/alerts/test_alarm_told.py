"""Which alarm a message tells, found by the message's key: the one whose picture goes out with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Finding, Priority
from alerts.nudges import alarm_told

AT = datetime(2026, 3, 7, 9, tzinfo=UTC)
HOT = Finding(
    rule="too hot", spot="cellar/1/1", batch="1", sensor="air-1", priority=Priority.URGENT, since=AT, value=38.0,
    limit=28.0, cause="c", consequence="c", action="a", harm=0.5,
)  # fmt: skip


def alarm(finding: Finding) -> Alarm:
    """Return a finding's alarm."""
    return Alarm(key=finding.key, state=AlarmState.UNACKNOWLEDGED, finding=finding, first_at=AT, last_change_at=AT)


MILD = alarm(replace(HOT, batch="2", harm=0.1))
WORST = alarm(HOT)
COLD = alarm(replace(HOT, rule="too cold", spot="cold", batch=None))


@pytest.mark.parametrize(
    ("key", "told"),
    [
        (f"alarm:too hot|cellar|3|{AT.isoformat()}|uli|mail", WORST),
        (f"alarm:too cold|cold|3|{AT.isoformat()}|uli|mail", COLD),
        (f"unanswered:{MILD.key}|{AT.isoformat()}|uli|mail", MILD),
        (f"alarm:flood|{AT.isoformat()}|uli|mail", None),
        (f"alarm:too hot|loft|3|{AT.isoformat()}|uli|mail", None),
        (f"round:{AT.isoformat()}|uli|mail", None),
        ("", None),
    ],
)
def test_the_alarm_of_a_message(key: str, told: Alarm | None) -> None:
    """Of a root the one that leads its text; a bundle, a round and an alarm that is over have none."""
    assert alarm_told(key, [MILD, WORST, COLD]) is told
