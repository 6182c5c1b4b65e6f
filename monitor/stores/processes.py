"""Reads from the ledger database how the processes are that share a farm's work, and which rooms they watch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Engine

from monitor.processes import Processes, collectors_of, unwatched_of, watcher_of, watchers_of
from monitor.stores.leases import all_leases
from monitor.stores.states import COLLECTOR_STATE, WATCHER_STATE, ServiceStates


def seen_processes(engine: Engine, rooms: Sequence[str], now: datetime) -> Processes:
    """Return collectors and watchers, and the rooms that no watcher has now; where `run` does all there are none.

    Raises:
        StoreUnavailableError: The database does not answer.
    """
    known = ServiceStates(engine)
    states, collectors = known.beginning(WATCHER_STATE), collectors_of(known.beginning(COLLECTOR_STATE), now)
    if not states and not collectors:
        return Processes()
    leases = all_leases(engine)
    held_by: dict[str, list[str]] = {}
    for each in leases:
        if each.is_held:
            held_by.setdefault(watcher_of(each.holder), []).append(each.name)
    watchers = watchers_of(states, now, held_by)
    held = {each.name for each in leases if each.is_held}
    ends = {each.name: each.until for each in leases}
    free = [room for room in rooms if room not in held]
    return Processes(collectors=collectors, watchers=watchers, unwatched=unwatched_of(ends, free))
