"""A house for tests: the pages of Saltcellar Farm on a clock that stands, without a server."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.testclient import TestClient

from alerts.alarms import Alarm
from alerts.alarms_sql import SqlAlarms
from alerts.outbox_sql import SqlOutbox
from alerts.ward import rooms_of
from dashboards.pictures import Pictures
from dashboards.web.app import build_app
from dashboards.web.bell import Bell
from dashboards.web.gallery import Gallery
from dashboards.web.house import House
from dashboards.web.lookout import Lookout
from monitor.clock import ManualClock
from monitor.doors import Doors
from monitor.farm import Farm
from monitor.fold import check_append
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from monitor.profiles import Profile
from monitor.readings import Block
from monitor.scales import Scales
from monitor.stores.ledger import open_ledger
from monitor.stores.processes import seen_processes
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore
from tests.support.farms import farm as saltcellar
from tests.support.sketch import Sketcher

PROFILES = shipped_profiles()
NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
"""Wednesday 4 March 2026, 09:00 in Lisbon."""


@dataclass
class Lodge:
    """The collaborators of the pages, and short ways to fill them."""

    farm: Farm
    clock: ManualClock
    profiles: Mapping[str, Profile] = field(default_factory=lambda: PROFILES)
    status: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        """Open the stores in the farm's folder."""
        folder = self.farm.storage.folder
        self.ledger = open_ledger(folder)
        self.store = SqliteReadingStore(folder / READINGS_FILE)
        self.live = LiveBuffer()
        self.scales = Scales(self.farm.sensors)
        self.doors = Doors(folder)
        self.bell = Bell()
        self.alarms: dict[str, Alarm] | None = None
        self.woken = 0
        self.sketcher = Sketcher()
        self.gallery = Gallery(Pictures(self.sketcher))

    def wake(self) -> None:
        """Count how often the monitor was to look at once."""
        self.woken += 1

    def house(self) -> House:
        """Return the house."""
        sql_alarms, outbox = SqlAlarms(self.ledger.engine), SqlOutbox(self.ledger.engine)
        return House(
            farm=self.farm,
            profiles=self.profiles,
            ledger=self.ledger,
            store=self.store,
            live=self.live,
            scales=self.scales,
            lookout=Lookout(
                self.farm,
                self.profiles,
                self.ledger,
                live=self.live,
                scales=self.scales,
                watching_since=self.clock() - timedelta(hours=1),
            ),
            alarms=lambda: sql_alarms.load() if self.alarms is None else self.alarms,
            nudges=lambda since: outbox.rows(since=since),
            status=lambda: self.status,
            doors=self.doors,
            bell=self.bell,
            wake=self.wake,
            clock=self.clock,
            port=8467,
            gallery=self.gallery,
            unread=self.store.unread.count,
            processes=lambda: seen_processes(self.ledger.engine, rooms_of(self.farm), self.clock()),
        )

    def app(self) -> Starlette:
        """Return the app."""
        return build_app(self.house())

    def client(self, **more: Any) -> TestClient:
        """Return a browser of sorts at this machine; it follows no redirect unless told."""
        usual: dict[str, Any] = {"base_url": "http://127.0.0.1:8467", "follow_redirects": False}
        return TestClient(self.app(), **{**usual, **more})

    def enter(self, *entries: NewEntry) -> tuple[Entry, ...]:
        """Write entries as the command line does."""
        now = self.clock()
        return self.ledger.append(
            list(entries), recorded_at=now, check=lambda known: check_append(known, list(entries), recorded_at=now)
        )

    def sow(self, batch: str, crop: str, trays: int, spot: str, *, days_ago: float, by: str = "ines") -> Entry:
        """Sow a batch some days ago."""
        at = self.clock() - timedelta(days=days_ago)
        entry = NewEntry(
            kind=EntryKind.SOWN,
            at=at,
            by=by,
            batch=batch,
            trays=trays,
            spot=spot,
            data={"crop": crop, "tray_kind": "1020"},
        )
        return self.enter(entry)[0]

    def read(self, block: Block) -> None:
        """Take in readings, as the collector hands them on."""
        self.store.append(block)
        self.live.take(block)
        self.scales.take(block)
        self.bell.ring("readings")

    def close(self) -> None:
        """Let go of the stores."""
        self.gallery.close()
        self.store.close()
        self.ledger.close()


def lodge(folder: Path, *, now: datetime = NOW, more: str = "") -> Lodge:
    """Return Saltcellar Farm's pages in a folder; ``more`` is put at the end of its farm.toml."""
    return Lodge(farm=saltcellar(folder, more=more), clock=ManualClock(now))
