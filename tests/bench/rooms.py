"""`make bench-rooms`: a farm whose work is shared: how much collectors take in, and what killed processes cost.

All trays are SIMULATED; broker, InfluxDB, PostgreSQL and processes are real. First the same backlog is taken in by one
collector and by two, turn about. Then two collectors and two watchers work on 10,000 trays that speak once a minute, in
time that runs faster, while one of each is killed in turn, and each server stopped or killed once. TRAYS=n, MINUTES=n,
SPEED=n and ROUNDS=n change its size.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from alerts.outbox_sql import SqlOutbox
from monitor.farmfile import load_farm
from monitor.fold import fold_as_of
from monitor.following import Follower
from monitor.ledger import Entry, EntryKind
from monitor.live import LiveBuffer
from monitor.processes import watcher_of
from monitor.readings import Block, from_ms, to_ms
from monitor.scales import Scales
from monitor.service import STATUS_STATE
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.engine import open_engine, postgres_url
from monitor.stores.influx import InfluxReadingStore
from monitor.stores.ledger import SqlLedger, open_ledger
from monitor.stores.opening import open_influx
from monitor.stores.schema import ARRIVAL, LEASE, OUTBOX
from monitor.stores.states import COLLECTOR_STATE, ServiceStates
from tests.support.manytrays import Nodes, Told, World, missing, stored, world
from tests.support.sharedfarm import shared_farm, wait_for

ROOMS = 10
_TICK_S = os.sysconf("SC_CLK_TCK")
_ROUNDS = tuple(f"{hour:02}:{minute:02}" for hour in range(7, 22) for minute in (0, 30))


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """What taking in a backlog cost.

    Attributes:
        readings: How many readings it was.
        seconds: From the first that was stored to the last. [s]
        cpu_s: Processor time by kind of process, start-up and all. [s]
    """

    readings: int
    seconds: float
    cpu_s: Mapping[str, float]

    @property
    def rate(self) -> float:
        """Return readings a second."""
        return self.readings / self.seconds


def cpu_s(*pids: int) -> float:
    """Return the processor time that processes and their children in the same session have used. [s]."""
    total = 0.0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        total += (int(fields[11]) + int(fields[12])) / _TICK_S
    return total


def resident_mb(pid: int) -> float:
    """Return how much memory a process has. [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1000
    return 0.0


def with_children(pid: int) -> list[int]:
    """Return a process and its children."""
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    return [pid, *(int(each) for each in listed)]


@contextmanager
def opened(farm: Path) -> Iterator[tuple[InfluxReadingStore, SqlLedger]]:
    """Give a farm's shared store and ledger."""
    os.environ["SALTCELLAR_TOKEN"] = "not-to-be-seen"
    loaded = load_farm(farm)
    assert loaded.storage.influx is not None
    assert loaded.storage.postgres is not None
    ledger = SqlLedger(open_engine(postgres_url(loaded.storage.postgres)))
    with closing(ledger), closing(open_influx(loaded, loaded.storage.influx)) as store:
        yield store, ledger


def connected(ledger: SqlLedger, *names: str) -> bool:
    """Tell whether collectors listen."""
    known = ServiceStates(ledger.engine).beginning(COLLECTOR_STATE)
    return all(known.get(name, {}).get("broker_connected") for name in names)


def say(line: str) -> None:
    """Print a line at once."""
    print(line, flush=True)  # noqa: T201


# -- how much collectors take in ----------------------------------------------------------------------------


def backlog(collectors: int, minutes: int, trays: int) -> Took:
    """Have a backlog of some minutes wait with the broker, and time how collectors take it in."""
    with shared_farm() as shared:
        farm = world(
            rooms=ROOMS, trays_per_room=trays, speed=1, begin=datetime.now(UTC) - timedelta(minutes=minutes + 1)
        )
        files = {f"c{n}": shared.write(f"c{n}", farm.tables()) for n in range(collectors)}
        for name, file in files.items():
            shared.start(name, file, "collect", "--name", name, "--log", "warning")
        first = next(iter(files.values()))
        with opened(first) as (store, ledger):
            wait_for(lambda: connected(ledger, *files), "the collectors listen")
            for name in files:
                shared.stop(name)
            nodes = Nodes(farm, shared.broker.port)
            for minute in range(minutes):
                nodes.publish_now(minute)
            nodes.rest()
            nodes.end()
            servers = {
                "mosquitto": [shared.broker.pid],
                "influxd": [shared.influx.pid],
                "postgres": with_children(shared.postgres.pid),
            }
            before = {name: cpu_s(*pids) for name, pids in servers.items()}
            for name, file in files.items():
                shared.start(name, file, "collect", "--name", name, "--log", "warning")
            expected = farm.expected(minutes)
            wait_for(lambda: missing(expected, stored(store)) == 0, "all of the backlog is stored", seconds=600)
            used = {name: cpu_s(*pids) - before[name] for name, pids in servers.items() if name != "postgres"}
            used["postgres"] = max(0.0, cpu_s(*with_children(shared.postgres.pid)) - before["postgres"])
            used["collectors"] = cpu_s(*(process.pid for process in shared.running.values()))
            noted = _noted(ledger)
        return Took(
            readings=minutes * farm.readings_a_minute, seconds=(noted[-1] - noted[0]).total_seconds(), cpu_s=used
        )


def _noted(ledger: SqlLedger) -> list[datetime]:
    """Return when arrivals were noted, in order."""
    with ledger.engine.connect() as connection:
        rows = connection.execute(select(ARRIVAL.c.noted_at).order_by(ARRIVAL.c.noted_at)).scalars().all()
    return [from_ms(at_ms) for at_ms in rows]


def print_backlog(took: Mapping[int, Sequence[Took]]) -> None:
    """Print what one collector and two took in."""
    say("| collectors | readings/s, rounds | median | collectors' CPU, us a reading | mosquitto | influxd | postgres |")
    say("|---|---|---|---|---|---|---|")
    for count, rounds in took.items():
        rates = [each.rate for each in rounds]
        cpu = {
            name: median(each.cpu_s[name] / each.readings * 1e6 for each in rounds)
            for name in ("collectors", "mosquitto", "influxd", "postgres")
        }
        listed = ", ".join(f"{rate:,.0f}" for rate in rates)
        say(
            f"| {count} | {listed} | {median(rates):,.0f} | "
            + " | ".join(f"{each:.1f}" for each in cpu.values())
            + " |"
        )


# -- one process ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """What `traywarden run` costs that does all of it.

    Attributes:
        trays: How many trays, each on a scale that speaks once a minute.
        cpu_s_per_minute: Processor time by a minute of the farm's time. [s]
        mb: Memory at the end. [MB]
    """

    trays: int
    cpu_s_per_minute: float
    mb: float


def alone(trays: int, *, minutes: int, speed: float) -> Alone:
    """Run one process on a farm of so many trays, readings and ledger in files, for some minutes of its time."""
    with shared_farm() as shared:
        farm = world(rooms=max(1, trays // 1_000), trays_per_room=min(trays, 1_000), speed=speed, begin=_tomorrow())
        path = shared.write("one", farm.tables() + "\n[pages]\nserve = false\n", rounds=_ROUNDS, shares=False)
        with closing(open_ledger(path.parent / "data", None)) as ledger:
            farm.sow(ledger, soaks=minutes)
            outbox = SqlOutbox(ledger.engine)
            shared.start("one", path, "run", "--log", "warning", runs=farm.clock_words(path))
            wait_for(lambda: bool(outbox.state(STATUS_STATE)), "it has given a sign of life")
            nodes = Nodes(farm, shared.broker.port)
            first = nodes.minutes = farm.minute() + 1
            process = shared.running["one"].pid
            used, at = cpu_s(process), farm.now()
            nodes.publish(first + minutes)
            nodes.rest()
            messages = minutes * len(farm.messages(0))
            wait_for(lambda: outbox.state(STATUS_STATE)["messages"] >= messages, "all is taken in", seconds=120)
            passed = (farm.now() - at) / timedelta(minutes=1)
            cost = Alone(trays=trays, cpu_s_per_minute=(cpu_s(process) - used) / passed, mb=resident_mb(process))
            nodes.end()
    return cost


def _tomorrow() -> datetime:
    """Return an instant ahead: what is to be done then is not done by the machine's clock meanwhile."""
    return datetime.now(UTC).replace(hour=7, minute=5, second=0, microsecond=0) + timedelta(days=1)


# -- the ledger -------------------------------------------------------------------------------------------------

_A_LIFE: tuple[tuple[EntryKind, int, dict[str, Any]], ...] = (
    (EntryKind.SOWN, 0, {"crop": "radish", "tray_kind": "1020"}),
    (EntryKind.STACKED, 0, {"weight_kg": 5, "order": None, "covered_only": False}),
    (EntryKind.UNCOVERED, 3, {"to": None}),
    (EntryKind.LIGHTS_ON, 4, {"to": None}),
    (EntryKind.WATERED, 5, {"ml_per_tray": 200}),
    (EntryKind.HARVESTED, 9, {"grams": 2_000}),
)


def folding_us(batches: int) -> float:
    """Return the processor time by an entry of folding a ledger of many batches: each entry asks for it anew. [us]."""
    begin = datetime(2026, 1, 1, 7, tzinfo=UTC)
    entries = [
        Entry(
            kind=kind,
            at=begin + timedelta(minutes=20 * batch, days=day),
            by="ines",
            batch=str(batch + 1),
            trays=20 if kind is EntryKind.SOWN else None,
            spot="r00/1/1" if kind is EntryKind.SOWN else None,
            data=data,
            id=1 + batch * len(_A_LIFE) + place,
            recorded_at=begin,
        )
        for batch in range(batches)
        for place, (kind, day, data) in enumerate(_A_LIFE)
    ]
    used = time.process_time()
    fold_as_of(entries, begin + timedelta(days=1_000))
    return (time.process_time() - used) / len(entries) * 1e6


# -- what a watcher reads back ------------------------------------------------------------------------------


def read_back(*, trays: int, days: int) -> Took:
    """Time what a watcher that takes a room over reads back of its trays: as many days as anything looks back."""
    minutes = days * 24 * 60
    with shared_farm() as shared:
        farm = world(rooms=1, trays_per_room=trays, speed=1, begin=datetime.now(UTC) - timedelta(minutes=minutes))
        path = shared.write("one", farm.tables())
        with opened(path) as (store, ledger):
            names = [f"r00-0-{tray}" for tray in range(trays)]
            at_ms = to_ms(farm.begin) + 60_000 * np.arange(minutes)
            for place, name in enumerate(names):
                noise = np.random.default_rng(place).normal(0, 0.5, minutes)
                store.append(
                    Block(
                        sensors=(name,),
                        sensor_index=np.zeros(minutes, dtype=np.int32),
                        measured_at_ms=at_ms,
                        value=np.round(1500 - 0.1 * (np.arange(minutes) % 1440) + noise, 1),
                        flag=np.ones(minutes, dtype=np.int8),
                        doubt=np.zeros(minutes, dtype=np.int16),
                    )
                )
            loaded = load_farm(path)
            live, scales = LiveBuffer(), Scales(loaded.sensors)
            follower = Follower(
                loaded, store, SqlArrivals(ledger.engine), live=live, scales=scales, take=live.take, judges=True
            )
            began, used = time.monotonic(), time.process_time()
            now = farm.at(minutes)
            follower.gain("r00", now, judged_until=now)
            return Took(
                readings=minutes * trays,
                seconds=time.monotonic() - began,
                cpu_s={"watcher": time.process_time() - used},
            )


# -- what killed processes cost -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of it.

    Attributes:
        readings: How many readings were published.
        wrong: How many are missing, too many, or hold another value.
        told: How many messages were handed to people.
        told_twice: How many of them more than once.
        stages_twice: How many stages of tasks two messages to one person tell.
        taken_over_s: From the kill of a watcher until another held its rooms. [s]
        caught_up_s: From the last publishing until all was stored. [s]
        watcher_cpu_s_per_minute: What the watcher that was never killed cost by a minute of the farm's time. [s]
        watcher_mb: Its memory at the end. [MB]
    """

    readings: int
    wrong: int
    told: int
    told_twice: int
    stages_twice: int
    taken_over_s: float
    caught_up_s: float
    watcher_cpu_s_per_minute: float
    watcher_mb: float


def faults(minutes: int, trays: int, speed: float, *, tell: bool = True) -> Outcome:
    """Have two collectors and two watchers work, kill one of each in turn, and stop or kill each server once."""
    with shared_farm() as shared:
        farm = world(
            rooms=ROOMS,
            trays_per_room=trays,
            speed=speed,
            begin=_tomorrow(),
            cold_room=3,
            cold_from=minutes // 2,
        )
        names = ("c0", "c1", "w0", "w1")
        files = {name: shared.write(name, farm.tables(), rounds=_ROUNDS) for name in names}
        half = [word for room in farm.room_names[: ROOMS // 2] for word in ("--room", room)]
        commands = {
            "c0": ("collect", "--name", "c0"),
            "c1": ("collect", "--name", "c1"),
            "w0": ("watch", "--name", "w0", *half),
            "w1": ("watch", "--name", "w1"),  # takes the other half, and stands by for the first
        }

        def start(name: str) -> None:
            shared.start(name, files[name], *commands[name], "--log", "warning", runs=farm.clock_words(files[name]))

        with opened(files["c0"]) as (store, ledger):
            farm.sow(ledger, soaks=minutes + 20)
            told = Told(shared.broker.port)  # before anybody tells anything
            for name in names:
                start(name)
            wait_for(lambda: connected(ledger, "c0", "c1"), "the collectors listen")
            nodes = Nodes(farm, shared.broker.port)
            nodes.minutes = first = farm.minute() + 1
            farm_minutes = first + minutes
            taken_over: list[float] = []

            def restart(stop: Callable[[], object], start_again: Callable[[], object]) -> None:
                stop()
                start_again()

            def kill_watcher() -> None:
                holder = _holder(ledger, "w0")
                shared.kill("w0")
                killed = time.monotonic()
                waiting = threading.Thread(target=lambda: taken_over.append(_taken_over_s(ledger, holder, killed)))
                waiting.start()

            doing: list[tuple[str, Callable[[], None]]] = [
                ("collector c1 is killed", lambda: shared.kill("c1")),
                ("collector c1 is back", lambda: start("c1")),
                ("watcher w0 is killed", kill_watcher),
                ("watcher w0 is back", lambda: start("w0")),
                ("InfluxDB is killed, and started", lambda: restart(shared.influx.kill, shared.influx.start)),
                ("PostgreSQL is killed, and started", lambda: restart(shared.postgres.kill, shared.postgres.start)),
                ("mosquitto is stopped, and started", lambda: restart(shared.broker.stop, shared.broker.start)),
            ]
            for number, (what, do) in enumerate(doing):
                nodes.publish(first + minutes * (number + 1) // (len(doing) + 1))
                if tell:
                    say(f"   minute {nodes.minutes - first}: {what}")
                do()
            nodes.publish(farm_minutes)
            ended = time.monotonic()
            nodes.rest()
            expected = _less(farm, first, farm_minutes)
            wait_for(lambda: missing(expected, stored(store)) == 0, "all is stored", seconds=240)
            caught_up_s = time.monotonic() - ended
            wait_for(lambda: bool(taken_over), "the rooms were taken over", seconds=90)
            wrong = missing(expected, stored(store))
            watcher = shared.running["w1"].pid
            ran_minutes = (farm.now() - farm.begin) / timedelta(minutes=1)
            cost = cpu_s(watcher) / ran_minutes
            weight_mb = resident_mb(watcher)
            stages_twice = _stages_twice(ledger)
            nodes.end()
            told.end()
        return Outcome(
            readings=minutes * farm.readings_a_minute,
            wrong=wrong,
            told=len(told.keys),
            told_twice=sum(count > 1 for count in told.keys.values()),
            stages_twice=stages_twice,
            taken_over_s=taken_over[0],
            caught_up_s=caught_up_s,
            watcher_cpu_s_per_minute=cost,
            watcher_mb=weight_mb,
        )


def _less(farm: World, first: int, until: int) -> dict[str, tuple[int, float]]:
    """Return what is expected of the minutes from one to before another."""
    early = farm.expected(first)
    return {
        name: (count - early[name][0], total - early[name][1]) for name, (count, total) in farm.expected(until).items()
    }


def _taken_over_s(ledger: SqlLedger, holder: str, killed: float) -> float:
    """Return how long the rooms of a watcher that was killed had nobody who watched them. [s]."""

    def is_free() -> bool:
        try:
            return holder not in _holders(ledger)
        except OperationalError:  # the database is being killed meanwhile
            return False

    wait_for(is_free, "another holds the rooms", seconds=120)
    return time.monotonic() - killed


def _holders(ledger: SqlLedger) -> set[str]:
    """Return who holds leases, or held the last that ran out: each run of a watcher has a name of its own."""
    with ledger.engine.connect() as connection:
        return set(connection.execute(select(LEASE.c.holder)).scalars().all())


def _holder(ledger: SqlLedger, name: str) -> str:
    """Return the one run of a watcher that holds leases."""
    (found,) = (holder for holder in _holders(ledger) if watcher_of(holder) == name)
    return found


def _stages_twice(ledger: SqlLedger) -> int:
    """Return how many stages of tasks two messages to one person and channel tell."""
    with ledger.engine.connect() as connection:
        rows = connection.execute(select(OUTBOX.c.person, OUTBOX.c.channel, OUTBOX.c.payload)).all()
    seen: set[tuple[str, str, str]] = set()
    twice = 0
    for person, channel, payload in rows:
        for stage in payload["stages"]:
            twice += (person, channel, stage) in seen
            seen.add((person, channel, stage))
    return twice


def main() -> None:
    """Run both, print the tables and the figures."""
    trays = int(os.environ.get("TRAYS", "10000")) // ROOMS
    minutes = int(os.environ.get("MINUTES", "180"))
    speed = float(os.environ.get("SPEED", "60"))
    rounds = int(os.environ.get("ROUNDS", "3"))
    say(f"SIMULATED trays: {ROOMS * trays:,} in {ROOMS} rooms, on {os.cpu_count()} cores")
    took: dict[int, list[Took]] = {1: [], 2: []}
    for _ in range(rounds):
        for count, listed in took.items():
            listed.append(backlog(count, 100, trays))
            say(f"   {count} collector(s): {listed[-1].rate:,.0f} readings/s")
    print_backlog(took)
    say("\n| trays, in one process | processor time by a minute, s | memory, MB |\n|---|---|---|")
    ones = [alone(count, minutes=30, speed=speed) for count in (300, 3_000, 10_000)]
    for each in ones:
        say(f"| {each.trays:,} | {each.cpu_s_per_minute:.2f} | {each.mb:.0f} |")
    fold_us = folding_us(20_000)
    say(f"\nfolding a ledger of 20,000 batches: {fold_us:.1f} us an entry")
    back = read_back(trays=50, days=24)
    say(f"\nreading {back.readings:,} readings of 50 trays and 24 days back: {back.seconds:.1f} s")
    say(f"\n{minutes} minutes of it, {speed:g} times as fast as they pass:")
    outcome = faults(minutes, trays, speed)
    say("\n| | |\n|---|---|")
    say(f"| readings published | {outcome.readings:,} |")
    say(f"| lost, twice, or another value | {outcome.wrong} |")
    say(f"| messages to people; handed over twice | {outcome.told}; {outcome.told_twice} |")
    say(f"| stages of tasks told twice | {outcome.stages_twice} |")
    say(f"| a killed watcher's rooms were held by the other after, s | {outcome.taken_over_s:.0f} |")
    say(f"| all was stored after the last reading within, s | {outcome.caught_up_s:.1f} |")
    say(f"| a watcher's processor time by a minute of the farm's, s | {outcome.watcher_cpu_s_per_minute:.2f} |")
    say(f"| its memory at the end, MB | {outcome.watcher_mb:.0f} |")
    one, two = (median(each.rate for each in took[count]) for count in (1, 2))
    figures = {
        "trays": ROOMS * trays,
        "readings_per_s_one_collector": round(one),
        "readings_per_s_two_collectors": round(two),
        "growth": round(two / one, 2),
        "readings": outcome.readings,
        "wrong": outcome.wrong,
        "nudges": outcome.told,
        "nudges_twice": outcome.told_twice + outcome.stages_twice,
        "taken_over_s": round(outcome.taken_over_s, 1),
        "caught_up_s": round(outcome.caught_up_s, 1),
        "run_cpu_s_per_minute": {each.trays: round(each.cpu_s_per_minute, 2) for each in ones},
        "fold_us_per_entry": round(fold_us, 1),
        "run_mb": {each.trays: round(each.mb) for each in ones},
        "watcher_cpu_s_per_minute": round(outcome.watcher_cpu_s_per_minute, 2),
        "watcher_mb": round(outcome.watcher_mb),
        "read_back_us_per_reading": round(back.seconds / back.readings * 1e6, 2),
    }
    say(json.dumps(figures))


if __name__ == "__main__":
    main()
