"""How the machine and its messages are, for those who watch their machines: OpenMetrics text; pure.

Source: [OPENMETRICS] 1.0: counters end in ``_total``, units stand in the name, the text ends with ``# EOF``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Priority
from alerts.outbox import OutboxRow
from alerts.tasks import Task, is_due
from dashboards.facts.status import ALONE, is_running
from monitor.batches import Batch, Fate
from monitor.farm import Sensor
from monitor.processes import Collector, Processes, Watcher
from monitor.readings import Reading

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
_Process = TypeVar("_Process", Collector, Watcher)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One value.

    Attributes:
        labels: What tells it from others of its family.
        value: The number.
    """

    labels: tuple[tuple[str, str], ...] = ()
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Values of one name.

    Attributes:
        name: The name, its unit at the end; a counter's without ``_total``.
        kind: ``gauge`` or ``counter``.
        unit: ``seconds``, ``bytes``, or empty.
        says: What it is.
        samples: Its values.
    """

    name: str
    kind: str
    unit: str
    says: str
    samples: tuple[Sample, ...]


def families(
    *,
    now: datetime,
    status: Mapping[str, Any] | None,
    sensors: Iterable[Sensor],
    latest: Mapping[str, Reading],
    alarms: Iterable[Alarm],
    outbox: Sequence[OutboxRow],
    tasks: Iterable[Task],
    batches: Iterable[Batch],
    entries: int,
    processes: Processes = ALONE,
) -> tuple[Family, ...]:
    """Return all families at a moment.

    Args:
        now: The instant.
        status: What the monitor last wrote down of itself; None: it never ran here.
        sensors: The farm's sensors.
        latest: Newest reading of each sensor that has one.
        alarms: All alarms.
        outbox: Messages of the last weeks.
        tasks: Open tasks.
        batches: All batches.
        entries: Number of the ledger's newest entry.
        processes: The collectors and watchers that share the farm, if any do.
    """
    known = dict(status or {})
    return (
        _one("up", "The monitor gave a sign of life lately.", float(is_running(status, now) or processes.any_lives)),
        *_of_service(known, now),
        *_of_processes(processes, is_whole=is_running(status, now), now=now),
        _ages(sensors, latest, now),
        _alarms(alarms),
        *_outbox(outbox, now),
        _tasks(tasks, now),
        _one("trays_standing", "Trays that stand.", sum(batch.trays(Fate.STANDING) for batch in batches)),
        _one("ledger_entries", "Entries in the ledger.", entries),
    )


def _one(name: str, says: str, value: float, *, unit: str = "", kind: str = "gauge") -> Family:
    """Return a family of one value."""
    return Family(name=f"traywarden_{name}", kind=kind, unit=unit, says=says, samples=(Sample(value=value),))


def _of_service(known: Mapping[str, Any], now: datetime) -> list[Family]:
    """Return what the monitor counts of itself; nothing where it never ran."""
    if not known:
        return []
    beat = (now - datetime.fromisoformat(str(known["beat_at"]))) / timedelta(seconds=1)
    found = [
        _one("beat_age_seconds", "Since the monitor's last sign of life.", max(beat, 0.0), unit="seconds"),
        _one("broker_connected", "The broker answers.", float(bool(known.get("broker_connected")))),
        _one("messages", "Messages heard since its start.", known.get("messages", 0), kind="counter"),
        _one("readings", "Readings stored since its start.", known.get("readings", 0), kind="counter"),
        _one("quarantined", "Messages set aside as unreadable.", known.get("quarantined", 0), kind="counter"),
        Family(
            name="traywarden_dropped",
            kind="counter",
            unit="",
            says="Readings left out, by why.",
            samples=tuple(
                Sample(labels=(("why", str(why)),), value=count)
                for why, count in dict(known.get("dropped", {})).items()
            ),
        ),
    ]
    free = known.get("disk_free_bytes")
    if free is not None:
        says = "Free on the disk of ledger and readings."
        found.append(_one("disk_free_bytes", says, float(free), unit="bytes"))
    return found


def _of_processes(processes: Processes, *, is_whole: bool, now: datetime) -> list[Family]:
    """Return how the collectors and watchers are, by name; nothing where one process does it all, and ever did."""
    if not processes.are_several:
        return []
    collectors, watchers = processes.collectors, processes.watchers
    free = 0 if is_whole else len(processes.unwatched)
    return [
        _each("collector_up", "A collector gave a sign of life lately.", collectors, lambda each: float(each.is_alive)),
        _each(
            "collector_beat_age_seconds", "Since a collector's last sign of life.", collectors,
            lambda each: max((now - each.beat_at) / timedelta(seconds=1), 0.0), unit="seconds",
        ),
        _each(
            "collector_readings", "Readings that a collector took in since its start.", collectors,
            lambda each: each.readings, kind="counter",
        ),
        _each("collector_waiting", "Readings that wait for the InfluxDB.", collectors, lambda each: each.waiting),
        _each("collector_refused", "Rows that the InfluxDB refused.", collectors, lambda each: each.refused),
        _each("watcher_up", "A watcher gave a sign of life lately.", watchers, lambda each: float(each.is_alive)),
        _one("rooms_unwatched", "Rooms that nobody watches now.", float(free)),
    ]  # fmt: skip


def _each(
    name: str,
    says: str,
    processes: Sequence[_Process],
    value: Callable[[_Process], float],
    *,
    unit: str = "",
    kind: str = "gauge",
) -> Family:
    """Return a family of one value a process, told apart by its name."""
    samples = tuple(Sample(labels=(("name", each.name),), value=value(each)) for each in processes)
    return Family(name=f"traywarden_{name}", kind=kind, unit=unit, says=says, samples=samples)


def _ages(sensors: Iterable[Sensor], latest: Mapping[str, Reading], now: datetime) -> Family:
    """Return how old each sensor's newest reading is; a sensor that never spoke has none."""
    return Family(
        name="traywarden_reading_age_seconds",
        kind="gauge",
        unit="seconds",
        says="Age of each sensor's newest reading.",
        samples=tuple(
            Sample(
                labels=(("sensor", sensor.id), ("quantity", sensor.quantity.value), ("spot", sensor.spot)),
                value=max((now - latest[sensor.id].measured_at) / timedelta(seconds=1), 0.0),
            )
            for sensor in sensors
            if sensor.id in latest
        ),
    )


def _alarms(alarms: Iterable[Alarm]) -> Family:
    """Return how many alarms stand in each state of the standard, by priority; all right ones are not counted."""
    counted = Counter((alarm.priority, alarm.state) for alarm in alarms)
    return Family(
        name="traywarden_alarms",
        kind="gauge",
        unit="",
        says="Alarms by priority and state.",
        samples=tuple(
            Sample(
                labels=(("priority", priority.name.lower()), ("state", state.value)), value=counted[(priority, state)]
            )
            for priority in Priority
            for state in AlarmState
            if state is not AlarmState.NORMAL
        ),
    )


def _outbox(outbox: Sequence[OutboxRow], now: datetime) -> list[Family]:
    """Return how many messages wait, how long the oldest has, and how many were given up."""
    waiting = [row for row in outbox if row.sent_at is None and row.given_up_at is None and row.due_at <= now]
    oldest = max(((now - row.due_at) / timedelta(seconds=1) for row in waiting), default=0.0)
    given_up = sum(row.given_up_at is not None for row in outbox)
    return [
        _one("outbox_waiting", "Messages that are due and were not delivered.", len(waiting)),
        _one("outbox_oldest_age_seconds", "Since the oldest of them fell due.", oldest, unit="seconds"),
        _one("outbox_given_up", "Messages of the last weeks that were given up.", given_up),
    ]


def _tasks(tasks: Iterable[Task], now: datetime) -> Family:
    """Return how many tasks are due, by kind."""
    counted = Counter(task.kind.value for task in tasks if is_due(task, now))
    return Family(
        name="traywarden_tasks_due",
        kind="gauge",
        unit="",
        says="Tasks that are due, by kind.",
        samples=tuple(Sample(labels=(("kind", kind),), value=count) for kind, count in sorted(counted.items())),
    )


def metrics_text(found: Iterable[Family]) -> str:
    """Return families as OpenMetrics text."""
    lines: list[str] = []
    for family in found:
        lines.append(f"# TYPE {family.name} {family.kind}")
        if family.unit:
            lines.append(f"# UNIT {family.name} {family.unit}")
        lines.append(f"# HELP {family.name} {_escaped(family.says)}")
        suffix = "_total" if family.kind == "counter" else ""
        for sample in family.samples:
            inside = ",".join(f'{name}="{_escaped(value)}"' for name, value in sample.labels)
            labels = f"{{{inside}}}" if inside else ""
            lines.append(f"{family.name}{suffix}{labels} {_number(sample.value)}")
    return "\n".join([*lines, "# EOF", ""])


def _escaped(text: str) -> str:
    """Return a text as it stands between quotes."""
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(value: float) -> str:
    """Return a number, whole ones without a point."""
    return str(int(value)) if float(value).is_integer() else repr(round(float(value), 3))
