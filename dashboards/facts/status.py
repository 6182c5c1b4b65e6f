"""How the monitor is, as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from alerts.alarms import Alarm
from alerts.outbox import OutboxRow
from monitor.processes import Processes

DEAD_AFTER = timedelta(minutes=3)
"""A monitor that gave no sign of life for this long is taken for dead."""


ALONE = Processes()


def is_running(state: Mapping[str, Any] | None, now: datetime) -> bool:
    """Tell whether the monitor runs, by its last sign of life."""
    return state is not None and now - datetime.fromisoformat(str(state["beat_at"])) < DEAD_AFTER


def status_facts(
    state: Mapping[str, Any] | None,
    active: Iterable[Alarm],
    troubled: Iterable[OutboxRow],
    now: datetime,
    *,
    running: bool,
    unread: int,
    processes: Processes = ALONE,
) -> dict[str, Any]:
    """Return how the monitor is.

    Args:
        state: What it last wrote down of itself; None: it never ran here.
        active: Alarms that are wrong now.
        troubled: Messages that did not get through.
        now: The instant.
        running: It gave a sign of life lately, or a watcher did.
        processes: The collectors and watchers that share the farm, if any do.
        unread: How much of what came in is set aside since it could not be read.
    """
    return {
        "schema": "traywarden.status/2",
        "at": now.isoformat(),
        "running": running,
        "unread": unread,
        "service": None if state is None else dict(state),
        "collectors": [
            {
                "name": each.name,
                "host": each.host,
                "running": each.is_alive,
                "stopped": each.has_stopped,
                "started_at": each.started_at.isoformat(),
                "last_sign_at": each.beat_at.isoformat(),
                "listens": each.listens,
                "broker_connected": each.is_connected,
                "readings": each.readings,
                "quarantined": each.quarantined,
                "waiting": each.waiting,
                "refused": each.refused,
                "trouble": each.trouble,
                "feeds": [{"name": name, "trouble": trouble} for name, trouble in each.feeds],
            }
            for each in processes.collectors
        ],
        "watchers": [
            {
                "name": each.name,
                "host": each.host,
                "running": each.is_alive,
                "stopped": each.has_stopped,
                "last_sign_at": each.beat_at.isoformat(),
                "rooms": [room for room in each.rooms if room],
                "has_no_room": "" in each.rooms,
                "stands_by": list(each.stands_by),
            }
            for each in processes.watchers
        ],
        "unwatched": [
            {"room": each.room, "since": each.since.isoformat() if each.since else None}
            for each in (() if is_running(state, now) else processes.unwatched)
        ],
        "alarms": [
            {
                "key": alarm.key,
                "state": alarm.state.value,
                "priority": alarm.priority.name.lower(),
                "since": alarm.finding.since.isoformat(),
                "cause": alarm.finding.cause,
                "action": alarm.finding.action,
            }
            for alarm in active
        ],
        "undelivered": [
            {
                "key": row.key,
                "person": row.person,
                "channel": row.channel,
                "title": row.title,
                "attempts": row.attempts,
                "why": row.last_error,
                "next_try_at": None if row.given_up_at else row.next_try_at.isoformat(),
                "given_up_at": row.given_up_at.isoformat() if row.given_up_at else None,
            }
            for row in troubled
        ],
    }
