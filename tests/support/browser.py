"""A real browser against the real service: Debian's Chromium, a real mosquitto, uvicorn, all on free ports."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboards.web.bell import Bell
from dashboards.web.serving import PageServer, open_socket
from monitor.cli.serve import open_pages
from monitor.clock import Clock, ManualClock, system_clock
from monitor.doors import Doors
from monitor.farm import Farm
from monitor.fold import check_append
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.profilefile import shipped_profiles
from monitor.service import Service
from tests.support.farms import farm as saltcellar
from tests.support.influx import wait_until
from tests.support.mosquitto import Mosquitto
from tests.support.needs import require_binary

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Playwright

PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 900}
SENSORS = """
[[sensor]]
id = "cellar-air"
quantity = "temperature"
spot = "cellar"
topic = "saltcellar/air"

[[sensor]]
id = "cellar-damp"
quantity = "humidity"
spot = "cellar"
topic = "saltcellar/damp"

[[sensor]]
id = "scale-1"
quantity = "weight"
spot = "cellar/1/1"
topic = "saltcellar/scale"
dry_g = 1150
full_g = 1850
"""


@dataclass
class Served:
    """Saltcellar Farm as it is served: real ledger, readings, broker, collector and pages."""

    farm: Farm
    clock: Clock
    service: Service
    bell: Bell
    broker: Mosquitto | None
    server: PageServer
    _port: int = 0
    woken: int = field(default=0)

    @property
    def url(self) -> str:
        """Return the address of the pages."""
        return f"http://127.0.0.1:{self.server.port}"

    @property
    def doors(self) -> Doors:
        """Return who is let in."""
        return Doors(self.farm.storage.folder)

    def enter(self, *entries: NewEntry) -> tuple[Entry, ...]:
        """Write entries as another process does; open pages hear it within about a second."""
        now = self.clock()
        return self.service.ledger.append(
            list(entries), recorded_at=now, check=lambda known: check_append(known, list(entries), recorded_at=now)
        )

    def sow(self, batch: str, crop: str, trays: int, spot: str, *, days_ago: float) -> Entry:
        """Sow a batch some days ago."""
        at = self.clock() - timedelta(days=days_ago)
        data = {"crop": crop, "tray_kind": "1020"}
        return self.enter(
            NewEntry(kind=EntryKind.SOWN, at=at, by="ines", batch=batch, trays=trays, spot=spot, data=data)
        )[0]

    def entries(self, kind: EntryKind | None = None) -> list[Entry]:
        """Return the ledger's entries, of one kind where it is named."""
        return [entry for entry in self.service.ledger.entries() if kind is None or entry.kind is kind]

    def publish(self, topic: str, value: float, at: datetime | None = None) -> None:
        """Have a sensor's reading published over the broker, by a client that is not ours."""
        assert self.broker is not None
        said: dict[str, Any] = {"value": value, "at": (at or self.clock()).isoformat()}
        self.broker.publish(topic, [json.dumps(said)])

    def stop_pages(self) -> None:
        """Stop the pages' server only; the port stays known for start_pages."""
        self._port = self.server.port
        self.server.stop()

    def start_pages(self) -> None:
        """Serve again at the same port."""
        from dataclasses import replace

        self.bell = Bell()
        self.service.on_change = self.bell.ring
        listening = open_socket(replace(self.farm.pages, port=self._port))
        self.server = open_pages(self.service, self.bell, listening=listening, wake=lambda: None)
        self.server.start()


@contextmanager
def served(
    folder: Path, *, now: datetime | None = None, more: str = "", broker: bool = True, pages: str = ""
) -> Iterator[Served]:
    """Give a farm that is served, with the sensors above, until the block ends.

    Args:
        folder: Where its data is kept.
        now: Where its clock stands (a ManualClock); None: the machine's own clock.
        more: More tables of farm.toml.
        broker: Start a real mosquitto and the collector.
        pages: More keys of [pages]; the port is a free one anyway.
    """
    clock: Clock = system_clock if now is None else ManualClock(now)
    mosquitto = Mosquitto(folder).start() if broker else None
    sensors = SENSORS.replace('topic = "saltcellar/', 'pointer = "/value"\ntime_pointer = "/at"\ntopic = "saltcellar/')
    text = f"{sensors}\n{more}\n[pages]\nport = 0\n{pages}\n"
    if mosquitto is not None:
        text += f'[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    farm = saltcellar(folder, more=text)
    bell = Bell()
    service = Service(farm, shipped_profiles(), clock=clock, on_change=bell.ring)
    server = open_pages(service, bell, listening=open_socket(farm.pages), wake=lambda: None)
    found = Served(farm=farm, clock=clock, service=service, bell=bell, broker=mosquitto, server=server)
    try:
        if mosquitto is not None:
            service.start_listening()
            collector = service.collector
            assert collector is not None
            assert collector.wait_for(lambda: collector.is_connected, timedelta(seconds=20))
        server.start()
        yield found
    finally:
        found.server.stop()
        service.stop()
        if mosquitto is not None:
            mosquitto.stop()


@contextmanager
def chromium() -> Iterator[Browser]:
    """Give Debian's Chromium, or leave the test out (where TRAYWARDEN_LIVE does not make it compulsory)."""
    binary = require_binary("chromium")
    from playwright.sync_api import sync_playwright

    playwright: Playwright
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=binary, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """One phone or desk: a browser context with one page, and what its console said."""

    def __init__(self, context: BrowserContext) -> None:
        """Open a page, and write down errors, requests and policy violations."""
        self.context = context
        self.page: Page = context.new_page()
        self.page.set_default_timeout(10_000)
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))


@contextmanager
def visit(browser: Browser, *, wide: bool = False, dark: bool = False, script: bool = True) -> Iterator[Visit]:
    """Give a visit: a phone of 360 px with touch, or a desk; by day or by night; with or without script."""
    context = browser.new_context(
        viewport=DESK if wide else PHONE,  # type: ignore[arg-type] # a plain dict of the same keys
        has_touch=not wide,
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
        locale="en-GB",
    )
    try:
        yield Visit(context)
    finally:
        context.close()


def axe_faults(page: Page) -> list[str]:
    """Return what axe-core finds wrong on a page, one line a fault."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{each['id']}: {each['help']}: {[node['html'][:120] for node in each['nodes'][:3]]}" for each in found]


def until(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait until something holds, and fail where it does not in time."""
    wait_until(condition, seconds)
