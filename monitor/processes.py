"""The processes that share a farm's work, as each last wrote of itself; values only, pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.health import SILENT_AFTER, Silent


@dataclass(frozen=True, slots=True, kw_only=True)
class Watcher:
    """One process that judges and tells of some rooms.

    Attributes:
        name: Its name.
        host: The machine that it runs on.
        beat_at: Its last sign of life.
        is_alive: It gave one lately, and did not say that it ends.
        has_stopped: It said that it ends.
        rooms: The rooms in its care; empty text: what belongs to no room.
        stands_by: The rooms that it waits for while another has them.
    """

    name: str
    host: str
    beat_at: datetime
    is_alive: bool
    has_stopped: bool
    rooms: tuple[str, ...]
    stands_by: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Collector:
    """One process that takes a share of the messages.

    Attributes:
        name: Its name.
        host: The machine that it runs on.
        started_at: Since when it runs, or ran last.
        beat_at: Its last sign of life.
        is_alive: It gave one lately, and did not say that it ends.
        has_stopped: It said that it ends.
        listens: It listens to the broker.
        is_connected: The broker answered it.
        readings: What it took in since its start.
        quarantined: Messages that it could not read since its start.
        waiting: Readings on its machine that wait for the InfluxDB.
        refused: Rows that the InfluxDB refused for good.
        trouble: What keeps it from taking readings in; None: nothing.
        feeds: What it reads besides the broker, each with its own trouble.
    """

    name: str
    host: str
    started_at: datetime
    beat_at: datetime
    is_alive: bool
    has_stopped: bool
    listens: bool
    is_connected: bool
    readings: int
    quarantined: int
    waiting: int
    refused: int
    trouble: str | None
    feeds: tuple[tuple[str, str | None], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Collectors:
    """The collectors that give signs of life, taken together.

    Attributes:
        is_connected: The broker answers one of them at least, or none is to be heard.
        trouble: What keeps any of them from taking readings in; None: nothing.
    """

    is_connected: bool
    trouble: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwatched:
    """A room that no process has in its care at this moment.

    Attributes:
        room: Its id.
        since: When its last lease ended; None: nobody ever had it.
    """

    room: str
    since: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Processes:
    """The collectors and watchers of a farm, and what these leave unwatched; where `run` does all there are none.

    Attributes:
        collectors: By name.
        watchers: By name.
        unwatched: Rooms that nobody has at this moment.
    """

    collectors: tuple[Collector, ...] = ()
    watchers: tuple[Watcher, ...] = ()
    unwatched: tuple[Unwatched, ...] = ()

    @property
    def are_several(self) -> bool:
        """Tell whether collectors or watchers share the work, or did."""
        return bool(self.collectors or self.watchers)

    def were_before(self, instant: datetime) -> bool:
        """Tell whether none of them gave a sign of life since an instant."""
        beats = [*(each.beat_at for each in self.collectors), *(each.beat_at for each in self.watchers)]
        return all(beat_at < instant for beat_at in beats)

    @property
    def any_lives(self) -> bool:
        """Tell whether a watcher gave a sign of life lately."""
        return any(each.is_alive for each in self.watchers)

    @property
    def any_collects(self) -> bool:
        """Tell whether a collector gave a sign of life lately."""
        return any(each.is_alive for each in self.collectors)


def collectors_of(states: Mapping[str, Any], now: datetime) -> tuple[Collector, ...]:
    """Return the collectors that wrote of themselves and were not taken out for good, by name.

    Args:
        states: What each last wrote of itself, by name.
        now: The instant.
    """
    found = []
    for name, state in sorted(states.items()):
        beat_at = datetime.fromisoformat(str(state["beat_at"]))
        stopped = bool(state.get("stopped"))
        found.append(
            Collector(
                name=name,
                host=str(state.get("host", "")),
                started_at=datetime.fromisoformat(str(state.get("started_at", state["beat_at"]))),
                beat_at=beat_at,
                is_alive=not stopped and now - beat_at < SILENT_AFTER,
                has_stopped=stopped,
                listens=bool(state.get("listens", True)),
                is_connected=bool(state.get("broker_connected")),
                readings=int(state.get("readings", 0)),
                quarantined=int(state.get("quarantined", 0)),
                waiting=int(state.get("waiting", 0)),
                refused=int(state.get("refused", 0)),
                trouble=state.get("trouble"),
                feeds=tuple((str(each["name"]), each.get("trouble")) for each in state.get("feeds", ())),
            )
        )
    return tuple(found)


def watchers_of(
    states: Mapping[str, Any], now: datetime, rooms: Mapping[str, Sequence[str]] | None = None
) -> tuple[Watcher, ...]:
    """Return the watchers that wrote of themselves and were not taken out for good, by name.

    Args:
        states: What each last wrote of itself, by name.
        now: The instant.
        rooms: What each has a lease on, by name; None: as it wrote itself.
    """
    found = []
    for name, state in sorted(states.items()):
        beat_at = datetime.fromisoformat(str(state["beat_at"]))
        stopped = bool(state.get("stopped"))
        alive = not stopped and now - beat_at < SILENT_AFTER
        found.append(
            Watcher(
                name=name,
                host=str(state.get("host", "")),
                beat_at=beat_at,
                is_alive=alive,
                has_stopped=stopped,
                rooms=tuple(state.get("rooms", ()) if rooms is None else rooms.get(name, ())),
                stands_by=tuple(state.get("stands_by", ())) if alive else (),
            )
        )
    return tuple(found)


def holder_of(watcher: str, mark: str) -> str:
    """Return the name under which one run of a watcher holds its leases; none has it but this run."""
    return f"{watcher} {mark}"


def watcher_of(holder: str) -> str:
    """Return the watcher that holds a lease."""
    return holder.rpartition(" ")[0]


def silent_watchers(watchers: Iterable[Watcher]) -> tuple[Silent, ...]:
    """Return the watchers that ended without a word."""
    return tuple(
        Silent(name=each.name, since=each.beat_at) for each in watchers if not each.is_alive and not each.has_stopped
    )


def silent_of(states: Mapping[str, Any], now: datetime) -> tuple[Silent, ...]:
    """Return the processes whose last sign of life is old, by what they wrote of themselves, ended or not."""
    beats = {name: datetime.fromisoformat(str(state["beat_at"])) for name, state in states.items()}
    return tuple(Silent(name=name, since=at) for name, at in sorted(beats.items()) if now - at >= SILENT_AFTER)


def living_collectors(states: Mapping[str, Any], now: datetime) -> Collectors | None:
    """Return how the collectors are that gave a sign of life lately, taken together; None: none did."""
    silent = {each.name for each in silent_of(states, now)}
    living = {name: state for name, state in states.items() if name not in silent and not state.get("stopped")}
    if not living:
        return None
    troubles = [f"collector {name}: {state['trouble']}" for name, state in living.items() if state.get("trouble")]
    return Collectors(
        is_connected=any(state.get("broker_connected") or not state.get("listens", True) for state in living.values()),
        trouble="; ".join(troubles) or None,
    )


def without_watcher(
    until: Mapping[str, datetime], rooms: Iterable[str], now: datetime, since: datetime
) -> tuple[Silent, ...]:
    """Return the rooms that nobody has watched for a while, in their order.

    Args:
        until: By room, until when its last lease holds, or held.
        rooms: All rooms.
        now: The instant.
        since: Nothing that was before counts: when this process began to look, or one process watched the whole farm.
    """
    ends = {room: max(until.get(room, since), since) for room in rooms}
    return tuple(Silent(name=room, since=end) for room, end in ends.items() if now - end >= SILENT_AFTER)


def unwatched_of(until: Mapping[str, datetime], free: Iterable[str]) -> tuple[Unwatched, ...]:
    """Return the rooms that are free, with the ends of their last leases by room."""
    return tuple(Unwatched(room=room, since=until.get(room)) for room in free)
