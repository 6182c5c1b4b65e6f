"""The monitor itself: its broker gone, readings not taken in, its disk nearly full, its clock set by a jump.

And the processes that share its work: a collector or watcher that is silent, a room that nobody watches.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from alerts.findings import Finding, Priority, Tick
from monitor.amounts import say_time
from monitor.health import NO_DISK_BYTES

_GONE_FOR = timedelta(minutes=5)
_TOLD_FOR = timedelta(hours=1)  # a jump is over as it happens; so long it counts as news


def machine(tick: Tick) -> tuple[Finding, ...]:
    """Return what is wrong with the monitor itself."""
    return tuple([*_broker(tick), *_trouble(tick), *_disk(tick), *_clock(tick), *_processes(tick), *_rooms(tick)])


def _finding(rule: str, priority: Priority, since: datetime, *said: str) -> Finding:
    """Return a finding of the monitor; ``said``: cause, consequence, action."""
    return Finding(
        rule=rule,
        spot="",
        batch=None,
        sensor=None,
        priority=priority,
        since=since,
        value=None,
        limit=None,
        wakes=False,
        cause=said[0],
        consequence=said[1],
        action=said[2],
    )


def _broker(tick: Tick) -> Iterator[Finding]:
    """Yield that the broker is gone."""
    since = tick.health.broker_gone_since
    if since is None or tick.now - since < _GONE_FOR:
        return
    yield _finding(
        "broker is gone", Priority.URGENT, since,
        f"The broker has not answered since {say_time(since, tick.farm.zone)}.",
        "No sensor is heard, and nobody watches the room.",
        "See that it runs and the network is up: `traywarden status`. Look at the room yourself meanwhile.",
    )  # fmt: skip


def _trouble(tick: Tick) -> Iterator[Finding]:
    """Yield that readings are not taken in though the broker answers."""
    since = tick.health.trouble_since
    if tick.health.trouble is None or since is None or tick.now - since < _GONE_FOR:
        return
    yield _finding(
        "readings are not taken in", Priority.URGENT, since,
        f"Since {say_time(since, tick.farm.zone)} readings are not taken in as they should be: {tick.health.trouble}.",
        "What is not stored is not judged.",
        "`traywarden status` says more; `traywarden check` looks over farm.toml and the broker.",
    )  # fmt: skip


def _disk(tick: Tick) -> Iterator[Finding]:
    """Yield that the disk is nearly full."""
    free = tick.health.disk_free_bytes
    if free is None or not tick.health.disk_is_nearly_full:
        return
    yield _finding(
        "disk is nearly full", Priority.URGENT if free < NO_DISK_BYTES else Priority.MEDIUM, tick.now,
        f"{free / 1e6:.0f} MB are left on the disk that holds ledger and readings.",
        "When it is full nothing can be written down any more.",
        "Make room on it, after `traywarden backup` to another one.",
    )  # fmt: skip


def _clock(tick: Tick) -> Iterator[Finding]:
    """Yield that the clock has jumped."""
    at = tick.health.clock_jumped_at
    if at is None or not timedelta(0) <= tick.now - at < _TOLD_FOR:
        return
    by = tick.health.clock_jumped_by
    minutes = round(abs(by) / timedelta(minutes=1))
    span = f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"
    yield _finding(
        "clock jumped", Priority.MEDIUM, at,
        f"This machine's clock was set {'forward' if by > timedelta(0) else 'back'} by {span} at "
        f"{say_time(at, tick.farm.zone)}.",
        "Readings and entries of the time before may stand at the wrong hour, and a round may have been passed over.",
        "Let it keep its time from a time server, and look over what was entered lately.",
    )  # fmt: skip


def _processes(tick: Tick) -> Iterator[Finding]:
    """Yield that a process beside this one gives no sign of life; each is a root of its own."""
    silent, zone = tick.health.silent_collectors, tick.farm.zone
    if silent and len(silent) == tick.health.collectors:
        since = max(each.since for each in silent)
        yield _finding(
            "no collector runs", Priority.URGENT, since,
            f"No collector has given a sign of life since {say_time(since, zone)}.",
            "No sensor is heard, and nobody watches the rooms; what they say waits in the broker.",
            "Start one: `traywarden collect`. Look at the rooms yourself meanwhile.",
        )  # fmt: skip
    else:
        for each in silent:
            yield _finding(
                f"collector {each.name} is silent", Priority.URGENT, each.since,
                f"Collector {each.name} has given no sign of life since {say_time(each.since, zone)}.",
                "Its share of the messages waits in the broker, and comes late.",
                f"Start it again, or take it out for good: traywarden collect --name {each.name} --retire",
            )  # fmt: skip
    for each in tick.health.silent_watchers:
        yield _finding(
            f"watcher {each.name} is silent", Priority.MEDIUM, each.since,
            f"Watcher {each.name} has given no sign of life since {say_time(each.since, zone)}.",
            "Others watch its rooms where they were told to; should they end too, nobody does.",
            f"Start it again, or take it out for good: traywarden watch --name {each.name} --retire",
        )  # fmt: skip


def _rooms(tick: Tick) -> Iterator[Finding]:
    """Yield that a room is watched by no process."""
    for each in tick.health.unwatched:
        name = tick.farm.places.name(each.name)
        yield _finding(
            f"nobody watches {name}", Priority.URGENT, each.since,
            f"No watcher has had {name} in its care since {say_time(each.since, tick.farm.zone)}.",
            "Nothing there is judged, and no round of it is told.",
            f"Start one: traywarden watch --room {each.name}. Look at the room yourself meanwhile.",
        )  # fmt: skip
