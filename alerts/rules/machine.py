"""The monitor itself: its broker gone, readings not taken in, its disk nearly full, its clock set by a jump."""

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
    return tuple([*_broker(tick), *_trouble(tick), *_disk(tick), *_clock(tick)])


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
