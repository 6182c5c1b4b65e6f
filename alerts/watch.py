"""The watch over the room: rules, stages, alarm states, and what of it is news."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from alerts.alarms import Alarm, AlarmState, over_since, step
from alerts.alarms_sql import SqlAlarms
from alerts.answers import Answers, answered
from alerts.findings import Priority, Tick
from alerts.news import News
from alerts.stages import look, news_of
from alerts.ward import WHOLE, Ward

if TYPE_CHECKING:
    from sqlalchemy import Connection

log = logging.getLogger(__name__)

ANSWER_WITHIN = timedelta(minutes=15)
"""An urgent alarm that nobody has answered for so long goes to the next person, once. Common practice, no source."""


class RoomWatch:
    """Looks at the room at an interval, and keeps what it found."""

    def __init__(self, alarms: SqlAlarms, *, every: timedelta = timedelta(minutes=1)) -> None:
        """Take the table of alarms and how often to look; nothing is read before the first look."""
        self._table = alarms
        self._every = every
        self._ward = WHOLE
        self._alarms: dict[str, Alarm] | None = None
        self._found: tuple[dict[str, Alarm], list[Alarm]] | None = None
        self.raised: Mapping[str, int] = {}

    def over(self, ward: Ward) -> None:
        """Watch over other rooms than before; how their alarms stand is read anew."""
        self._ward, self._alarms, self._found = ward, None, None

    def check(self, tick: Tick, answers: Answers) -> tuple[News, ...]:
        """Judge the room, let the alarms' states follow, what people said of them too, and return what is new.

        Nothing is kept before keep(); a check after a check that was not kept starts from the same state again.
        """
        before = self._table.load(self._ward) if self._alarms is None else self._alarms
        findings = look(tick)
        after = step(before, findings, tick.now)
        after = answered(after, [finding.key for finding in findings], answers, tick.now)
        changed = [alarm for key, alarm in after.items() if _differs(before.get(key), alarm)]
        self._alarms, self._found = before, (after, changed)
        self.raised = Counter(
            tick.ward.room(alarm.finding.spot)
            for key, alarm in after.items()
            if alarm.is_active and not (key in before and before[key].is_active)
        )
        return news_of(before, after, tick)

    @property
    def has_changed(self) -> bool:
        """Tell whether the last check found something that is to be written down."""
        return self._found is not None and bool(self._found[1])

    def save_in(self, connection: Connection) -> None:
        """Write down what the last check changed, in the transaction that writes down what is told of it."""
        if self._found is not None:
            self._table.save_in(connection, self._found[1])

    def keep(self) -> None:
        """Go on from what the last check found: it is written down."""
        if self._found is None:
            return
        self._alarms, changed = self._found
        self._found = None
        for alarm in changed:
            log.info("alarm.changed key=%s state=%s", alarm.key, alarm.state.value)

    def next_check_at(self, now: datetime) -> datetime | None:
        """Return when to look again."""
        return now + self._every

    def over_since(self, root: str) -> datetime | None:
        """Return since when no alarm of a root is active any more; None: one is, or none ever was."""
        return over_since(self._alarms or {}, root)

    def active(self) -> tuple[Alarm, ...]:
        """Return the alarms that are wrong now."""
        return tuple(alarm for alarm in (self._alarms or self._table.load(self._ward)).values() if alarm.is_active)


def _differs(before: Alarm | None, after: Alarm) -> bool:
    """Tell whether what a restart needs has changed; a value that merely moved has not."""
    if before is None:
        return True
    return (before.state, before.gone_since, before.priority) != (after.state, after.gone_since, after.priority)


def unanswered(alarms: Iterable[Alarm], now: datetime) -> tuple[Alarm, ...]:
    """Return the urgent alarms, of those that break quiet hours, that nobody has answered for a quarter of an hour."""
    return tuple(
        alarm
        for alarm in alarms
        if alarm.state is AlarmState.UNACKNOWLEDGED
        and alarm.priority is Priority.URGENT
        and alarm.finding.wakes
        and now - alarm.last_change_at >= ANSWER_WITHIN
    )
