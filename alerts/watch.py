"""The watch over the room: rules, stages, alarm states, and what of it is news."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from alerts.alarms import Alarm, step
from alerts.alarms_sql import SqlAlarms
from alerts.findings import Tick
from alerts.news import News
from alerts.stages import look, news_of

log = logging.getLogger(__name__)


class RoomWatch:
    """Looks at the room at an interval, and keeps what it found."""

    def __init__(self, alarms: SqlAlarms, *, every: timedelta = timedelta(minutes=1)) -> None:
        """Take the table of alarms and how often to look; nothing is read before the first look."""
        self._table = alarms
        self._every = every
        self._alarms: dict[str, Alarm] | None = None

    def check(self, tick: Tick) -> tuple[News, ...]:
        """Judge the room, keep the alarms' states, and return what is new."""
        before = self._table.load() if self._alarms is None else self._alarms
        after = step(before, look(tick), tick.now)
        changed = [alarm for key, alarm in after.items() if _differs(before.get(key), alarm)]
        if changed:
            self._table.save(changed)
        for alarm in changed:
            log.info("alarm.changed key=%s state=%s", alarm.key, alarm.state.value)
        self._alarms = after
        return news_of(before, after, tick)

    def next_check_at(self, now: datetime) -> datetime | None:
        """Return when to look again."""
        return now + self._every

    def active(self) -> tuple[Alarm, ...]:
        """Return the alarms that are wrong now."""
        return tuple(alarm for alarm in (self._alarms or self._table.load()).values() if alarm.is_active)


def _differs(before: Alarm | None, after: Alarm) -> bool:
    """Tell whether what a restart needs has changed; a value that merely moved has not."""
    if before is None:
        return True
    return (before.state, before.gone_since, before.priority) != (after.state, after.gone_since, after.priority)
