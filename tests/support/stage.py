"""A whole advisor on a clock that tests move: real ledger, real outbox, a channel that remembers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from alerts.advisor import Advisor
from alerts.alarms_sql import SqlAlarms
from alerts.outbox_sql import SqlOutbox
from alerts.watch import RoomWatch
from monitor.errors import ChannelError
from monitor.farm import Farm
from monitor.fold import check_append
from monitor.ledger import EntryKind, NewEntry
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from monitor.stores.ledger import SqlLedger, open_ledger

DONE = {
    "drain": EntryKind.DRAINED,
    "look": EntryKind.LOOKED,
    "uncover": EntryKind.UNCOVERED,
    "end blackout": EntryKind.LIGHTS_ON,
    "water": EntryKind.WATERED,
    "harvest": EntryKind.HARVESTED,
    "clear and wash": EntryKind.CLEANED,
}
PROFILES = shipped_profiles()


@dataclass
class Remembering:
    """A channel that remembers what it was handed, and fails on demand."""

    fails: bool = False
    taken: list[tuple[str, Mapping[str, object]]] = field(default_factory=list)

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Take a message, or fail."""
        if self.fails:
            raise ChannelError("the test's channel is down")
        self.taken.append((text, payload))


class Stage:
    """A farm's advisor, with the grower's deeds as callables on tasks told."""

    def __init__(
        self, farm: Farm, folder: Path, *, since: datetime, look_every: timedelta = timedelta(hours=1)
    ) -> None:
        """Open the ledger in a folder and build the parts."""
        self.look_every = look_every
        self.farm, self.folder, self.since = farm, folder, since
        self.channel = Remembering()
        self.live = LiveBuffer()
        self.ledger: SqlLedger
        self.outbox: SqlOutbox
        self.advisor: Advisor
        self.told: list[tuple[datetime, str, str]] = []  # instant, kind, batch
        self.open()

    def open(self) -> None:
        """Open, as a start of the program does."""
        self.ledger = open_ledger(self.folder)
        self.outbox = SqlOutbox(self.ledger.engine)
        self.advisor = Advisor(
            self.farm,
            PROFILES,
            self.ledger,
            self.outbox,
            live=self.live,
            watch=RoomWatch(SqlAlarms(self.ledger.engine), every=self.look_every),
            channels={"console": self.channel},
            watching_since=self.since,
        )

    def restart(self) -> None:
        """Close and open again, as after a power cut."""
        self.close()
        self.open()

    def close(self) -> None:
        """Let go of the ledger."""
        self.ledger.close()

    def enter(self, *entries: NewEntry) -> None:
        """Write entries down through the check."""
        at = max(entry.at for entry in entries)
        self.ledger.append(
            list(entries), recorded_at=at, check=lambda known: check_append(known, entries, recorded_at=at)
        )

    def run(self, now: datetime) -> datetime:
        """Run what is due, and note which tasks were told."""
        before = len(self.channel.taken)
        again_at = self.advisor.run_due(now)
        for _, payload in self.channel.taken[before:]:
            tasks = payload["tasks"]
            assert isinstance(tasks, list)
            if "|ines|" not in str(payload["key"]):
                continue  # the second person on duty is told the same
            for key in tasks:
                batch, kind, _, _ = str(key).split("|")
                self.told.append((now, kind, batch))
        return again_at

    def play(
        self,
        start: datetime,
        end: datetime,
        answer: Callable[[datetime, str, str], NewEntry | None],
        *,
        every: timedelta | None = None,
        restart_at: datetime | None = None,
    ) -> None:
        """Run from start to end when the advisor asks to be (or every so often), and answer what is told."""
        now = start
        while now <= end:
            if restart_at is not None and now >= restart_at:
                self.restart()
                restart_at = None
            seen = len(self.told)
            again_at = self.run(now)
            fresh = list(dict.fromkeys(self.told[seen:]))
            for at, kind, batch in sorted(fresh, key=lambda told: told[1] == "harvest"):  # water first, then cut
                entry = answer(at, kind, batch)
                if entry is not None:
                    self.enter(entry)
            now = now + every if every is not None else max(again_at, now + timedelta(seconds=1))


def does_it(at: datetime, kind: str, batch: str) -> NewEntry:
    """Return the entry of a grower who does what is told within the minute."""
    return NewEntry(kind=DONE[kind], at=at, by="ines", batch=batch, data={})
