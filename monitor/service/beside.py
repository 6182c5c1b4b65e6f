"""What goes out beside a message: links that answer it, and a picture of what its alarm is about."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from alerts.alarms import Alarm
from alerts.channels import Enclosure
from alerts.findings import Tick
from alerts.nudges import alarm_told
from alerts.outbox import OutboxRow
from monitor.clock import Clock
from monitor.doors import Doors
from monitor.farm import Farm
from monitor.readings import Block

if TYPE_CHECKING:
    from dashboards.enclosing import Enclosing


class Beside:
    """Makes what goes out beside the messages of one service."""

    def __init__(
        self,
        farm: Farm,
        *,
        read: Callable[[Sequence[str], datetime, datetime], Block],
        active: Callable[[], Iterable[Alarm]],
        moment: Callable[[datetime], Tick],
        clock: Clock,
    ) -> None:
        """Take the farm, and where readings, active alarms and the moment come from; nothing is drawn yet."""
        self._farm, self._read, self._active, self._moment, self._clock = farm, read, active, moment, clock
        self._enclosing: Enclosing | None = None

    def links(self, row: OutboxRow, now: datetime) -> str:
        """Return the links that answer a message's tasks, where farm.toml says how people reach the pages."""
        channel = self._farm.channels.get(row.channel)
        if self._farm.pages.url is None or channel is None or channel.kind == "console":
            return ""
        from dashboards.web.links import link_lines

        return link_lines(Doors(self._farm.storage.folder), self._farm.pages.url, row.person, row.tasks, now)

    def picture(self, payload: Mapping[str, object]) -> Enclosure | None:
        """Return the picture that goes out with a message: of what its alarm is about, where it tells one."""
        alarm = alarm_told(str(payload.get("key", "")), self._active())
        if alarm is None:
            return None
        if self._enclosing is None:
            from dashboards.enclosing import Enclosing

            self._enclosing = Enclosing(self._read)
        return self._enclosing.picture(alarm.finding, self._moment(self._clock()))

    def close(self) -> None:
        """Let go of what draws."""
        if self._enclosing is not None:
            self._enclosing.close()
