"""What every page is handed: the farm, its ledger and readings, the clock, and who is let in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from alerts.alarms import Alarm
from alerts.outbox import OutboxRow
from dashboards.web.bell import Bell
from dashboards.web.gallery import Gallery
from dashboards.web.lookout import Lookout
from monitor.clock import Clock
from monitor.doors import Doors
from monitor.farm import Farm
from monitor.live import LiveState
from monitor.processes import Processes
from monitor.profiles import Profile
from monitor.scales import ScaleView
from monitor.stores.ledger import SqlLedger
from monitor.stores.protocol import ReadingStore


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """The collaborators of the pages, built by the top floor.

    Attributes:
        farm: The farm.
        profiles: Crop profiles by id.
        ledger: Where entries are read and written; any thread may use it.
        store: Where readings are read; any thread may read.
        live: The last hours of every sensor.
        scales: What scales and air say.
        lookout: Builds the Tick (and open tasks) of any instant.
        alarms: Returns all alarms by key, as they stand.
        nudges: Returns the outbox's rows since an instant.
        status: Returns how the monitor is, the facts of `traywarden status`; None: it never ran here.
        doors: Passwords, tokens and the key that signs; who is let in.
        bell: Rung when something changed; open pages listen.
        wake: Has the monitor look at once, after an entry.
        clock: The present instant.
        port: The TCP port that the pages listen on.
        is_simulated: The farm is the demo's; every page says so.
        gallery: The pictures of the batches' days.
        processes: Returns the collectors and watchers that share the farm, and the rooms that nobody has.
        unread: Returns how much of what came in (since an instant; None: at all) could not be read and is set aside.
    """

    farm: Farm
    profiles: Mapping[str, Profile]
    ledger: SqlLedger
    store: ReadingStore
    live: LiveState
    scales: ScaleView
    lookout: Lookout
    alarms: Callable[[], Mapping[str, Alarm]]
    nudges: Callable[[datetime], Sequence[OutboxRow]]
    status: Callable[[], Mapping[str, Any] | None]
    doors: Doors
    bell: Bell
    wake: Callable[[], None]
    clock: Clock
    port: int
    is_simulated: bool = False
    gallery: Gallery = field(default_factory=Gallery)
    processes: Callable[[], Processes] = Processes
    unread: Callable[[datetime | None], int] = lambda _since: 0

    @property
    def is_open(self) -> bool:
        """Tell whether everybody at this machine is let in: a loopback address, no proxy, and no password set."""
        from ipaddress import ip_address

        pages = self.farm.pages
        return ip_address(pages.address).is_loopback and not pages.behind_proxy and not self.doors.has_passwords
