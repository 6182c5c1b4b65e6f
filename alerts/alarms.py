"""The states of an alarm, and how findings move it from one to the other; pure.

Source: states and transitions of [IEC62682] and [ISA-18.2] (shelved, suppressed, out of service looked up in
[OPCUA-9]; the rest from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from alerts.findings import Finding, Priority

OFF_DELAY = timedelta(minutes=10)
"""A condition must be gone this long before it counts as back to normal. Common practice, no source."""


class AlarmState(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


class Happening(StrEnum):
    """What moves an alarm."""

    RAISED = "raised"
    CLEARED = "cleared"
    SEEN = "seen"


TRANSITIONS: dict[tuple[AlarmState, Happening], AlarmState] = {
    (AlarmState.NORMAL, Happening.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Happening.CLEARED): AlarmState.RETURNED_UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Happening.SEEN): AlarmState.ACKNOWLEDGED,
    (AlarmState.ACKNOWLEDGED, Happening.CLEARED): AlarmState.NORMAL,
    (AlarmState.RETURNED_UNACKNOWLEDGED, Happening.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.RETURNED_UNACKNOWLEDGED, Happening.SEEN): AlarmState.NORMAL,
}
"""What is not listed changes nothing. Shelving, suppression and service come from people, not from findings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm as it stands.

    Attributes:
        key: Key of its finding.
        state: Where it stands.
        finding: The newest finding that raised or held it.
        first_at: When it was last raised from normal.
        last_change_at: When its state last changed, or when it became urgent.
        gone_since: Since when its condition has been gone while it still counts as active; None: it is not gone.
    """

    key: str
    state: AlarmState
    finding: Finding
    first_at: datetime
    last_change_at: datetime
    gone_since: datetime | None = None

    @property
    def is_active(self) -> bool:
        """Tell whether its condition counts as wrong now."""
        return self.state in ACTIVE

    @property
    def priority(self) -> Priority:
        """Return what it can cost."""
        return self.finding.priority


def move(alarm: Alarm, happening: Happening, now: datetime) -> Alarm:
    """Return an alarm after a happening; the same where that changes nothing."""
    state = TRANSITIONS.get((alarm.state, happening), alarm.state)
    if state is alarm.state:
        return alarm
    raised = happening is Happening.RAISED
    first_at = now if raised and alarm.state is AlarmState.NORMAL else alarm.first_at
    return replace(alarm, state=state, first_at=first_at, last_change_at=now, gone_since=None)


def step(alarms: Mapping[str, Alarm], findings: Sequence[Finding], now: datetime) -> dict[str, Alarm]:
    """Return all alarms after a look: raised, held, or cleared once gone for the off-delay."""
    after = dict(alarms)
    found = {finding.key: finding for finding in findings}
    for key, finding in found.items():
        known = after.get(key)
        if known is None:
            known = Alarm(key=key, state=AlarmState.NORMAL, finding=finding, first_at=now, last_change_at=now)
        if known.state is AlarmState.ACKNOWLEDGED and finding.priority > known.priority:
            known = replace(known, state=AlarmState.UNACKNOWLEDGED, first_at=now, last_change_at=now)
        elif known.state is AlarmState.UNACKNOWLEDGED and Priority.URGENT is finding.priority > known.priority:
            known = replace(known, last_change_at=now)  # it is told at once only now: the time to answer begins
        worse = max(finding, known.finding, key=lambda each: each.priority) if known.is_active else finding
        kept = finding if finding.priority >= worse.priority else replace(finding, priority=worse.priority)
        after[key] = move(replace(known, finding=kept, gone_since=None), Happening.RAISED, now)
    for key, alarm in alarms.items():
        if key in found or not alarm.is_active:
            continue
        gone = alarm.gone_since or now
        after[key] = move(alarm, Happening.CLEARED, now) if now - gone >= OFF_DELAY else replace(alarm, gone_since=gone)
    return after


def over_since(alarms: Mapping[str, Alarm], root: str) -> datetime | None:
    """Return since when no alarm of a root is active any more; None: one is, or none ever was."""
    of_root = [alarm for alarm in alarms.values() if alarm.finding.root == root]
    if not of_root or any(alarm.is_active for alarm in of_root):
        return None
    return max(alarm.last_change_at for alarm in of_root)
