"""``traywarden demo``: a simulated cellar through 14 days in about a minute, over a real broker and database."""

from __future__ import annotations

import logging
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.common import Context
from monitor.errors import BrokerError, PagesError, RefusedError
from monitor.ledger import NewEntry
from simulated_feeds.publish import TrayView

if TYPE_CHECKING:
    from dashboards.web.serving import PageServer

FIRST_DAY = date(2026, 3, 2)
_STEP = timedelta(minutes=1)
_AHEAD = 26  # steps that the feed may be ahead of what is committed
_LOOK_EVERY = timedelta(minutes=30)


@click.command(epilog="Example: traywarden demo --folder saltcellar-demo")
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), help="Where data goes; else a temporary folder."
)
@click.option("--days", type=click.IntRange(1, 60), default=14, show_default=True, help="Days to run through.")
@click.option("--seed", type=int, default=7, show_default=True, help="Seed of the simulated room's noise.")
@click.option(
    "--keep-running", is_flag=True, help="Afterwards go on in real time until Ctrl-C; so it does on a terminal anyway."
)
@click.pass_obj
def demo(context: Context, folder: Path | None, days: int, seed: int, keep_running: bool) -> None:
    """Run a SIMULATED cellar: broker, sensors, service, nudges and a simulated grower, on a fast clock."""
    logging.basicConfig(level=logging.ERROR, force=True)
    where = folder or Path(tempfile.mkdtemp(prefix="traywarden-demo-"))
    where.mkdir(parents=True, exist_ok=True)
    if (where / "data").exists():
        raise RefusedError(f"{where} holds the data of an earlier demo; name a new folder")
    run = DemoRun(where, seed=seed)
    stopped = threading.Event()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: run.end(stopped))
    try:
        run.begin()
        run.through(days, stopped)
        run.finish()
        if (keep_running or sys.stdout.isatty()) and not stopped.is_set():
            run.go_on(stopped)
    finally:
        run.stop()


class DemoRun:
    """One run of the demo: the feed, the service and the simulated grower on one clock."""

    def __init__(self, where: Path, *, seed: int) -> None:
        """Lay out the farm's file and build the service on a clock that we move."""
        from dashboards.web.bell import Bell
        from monitor.clock import ManualClock, at_local
        from monitor.farmfile import load_farm
        from monitor.profilefile import load_profiles
        from monitor.service import Service
        from simulated_feeds.grower import Grower

        self.began_s = time.perf_counter()
        self.where = where
        source = files("simulated_feeds") / "saltcellar" / "farm.toml"
        (where / "farm.toml").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
        farm = load_farm(where / "farm.toml")
        self.farm = replace(farm, broker=replace(farm.broker, client_id="traywarden-demo"))
        self.profiles = load_profiles(None)
        self.start_at = at_local(FIRST_DAY, farm.rounds[0].replace(hour=6, minute=0), farm.zone)
        self.clock = ManualClock(self.start_at)
        self._ahead: timedelta | None = None  # how far the demo's time is from ours, once it goes on in real time
        self.bell = Bell()
        self.woken = threading.Event()
        self.service = Service(
            self.farm, self.profiles, clock=self._now, look_every=_LOOK_EVERY, on_change=self.bell.ring
        )
        self.pages = self._pages()
        self.grower = Grower(next(iter(farm.people)))
        self.published: deque[tuple[datetime, int]] = deque()
        self.sent = 0
        self.seed = seed
        self.said: set[str] = set()
        self.view: TrayView | None = None

    def _now(self) -> datetime:
        """Return the demo's present: where its clock stands, or, once it goes on in real time, a moving one."""
        return self.clock() if self._ahead is None else datetime.now(UTC) + self._ahead

    def _pages(self) -> PageServer:
        """Return the pages' server, at a free port where the usual one is taken."""
        from dashboards.web.serving import open_socket
        from monitor.cli.serve import open_pages

        try:
            listening = open_socket(self.farm.pages)
        except PagesError:
            listening = open_socket(replace(self.farm.pages, port=0))
        return open_pages(self.service, self.bell, listening=listening, wake=self.woken.set, is_simulated=True)

    def begin(self) -> None:
        """Start broker, listener and simulated nodes; write down the plan of sowings as it comes."""
        from simulated_feeds.grower import plan_entries
        from simulated_feeds.publish import Fault, Feed, SimulatedCellar

        click.echo("SIMULATED: an invented cellar, Saltcellar Farm, its sensors and its grower Ines.")
        self.pages.start()
        click.echo("Starting the embedded broker and the service ...")
        click.echo(f"The pages are at {self.pages.address} while this runs.")
        self.service.start_listening()
        collector, broker = self.service.collector, self.service.broker
        if (
            collector is None
            or broker is None
            or not collector.wait_for(lambda: collector.is_connected, timedelta(seconds=20))
        ):
            raise BrokerError("the embedded broker did not come up; is another program holding its port?")
        self.feed = Feed(broker.port)
        lamp = self.farm.places.lamp("cellar")
        night = self.start_at + timedelta(days=8, hours=14)
        noon = self.start_at + timedelta(days=5, hours=6)
        faults = (
            Fault("heater", night, night + timedelta(hours=11)),
            Fault("rack1 silent", noon, noon + timedelta(hours=2)),
        )
        if lamp is None:
            raise RefusedError("the demo's farm file has no lamp hours for its room")
        self.cellar = SimulatedCellar(seed=self.seed, lamp=lamp, faults=faults)
        self.waiting = plan_entries(self.start_at, self.farm.zone, next(iter(self.farm.people)))

    def through(self, days: int, stopped: threading.Event) -> None:
        """Run through some days: the feed a few steps ahead of what is committed, the service on what is."""
        end = self.start_at + timedelta(days=days)
        now = self.start_at
        again_at = now
        while now < end and not stopped.is_set():
            self._publish(now)
            self._wait_until_committed(_AHEAD)
            if now >= again_at or (self.waiting and self.waiting[0].at <= now):
                self._wait_until_committed(0)
                again_at = self._at(now)
            now += _STEP
        self._wait_until_committed(0)
        self._at(min(now, end))

    def _publish(self, now: datetime) -> None:
        """Have each simulated node publish the pack of one step."""
        self.clock.set(now)
        if self.view is None or now.minute % 10 == 0:
            self.view = self._tray_view(now)
        packs = self.cellar.step(now, now.astimezone(self.farm.zone), _STEP, self.view)
        self.sent += self.feed.publish(packs)
        self.published.append((now, self.sent))

    def _wait_until_committed(self, ahead: int) -> None:
        """Wait until all but the last ``ahead`` steps are on disk."""
        collector = self.service.collector
        if collector is None or len(self.published) <= ahead:
            return
        while len(self.published) > ahead:
            needed = self.published.popleft()[1]
        if not collector.wait_for(lambda: collector.committed >= needed, timedelta(seconds=60)):
            raise BrokerError(f"readings did not arrive within a minute: {collector.trouble or 'no trouble known'}")

    def _at(self, now: datetime) -> datetime:
        """Let the grower write what was done, and the service say what is due; return when to ask again."""
        from monitor.fold import check_append

        self.clock.set(now)
        while self.waiting and self.waiting[0].at <= now:
            entry = self.waiting.pop(0)
            self.service.ledger.append(
                [entry],
                recorded_at=now,
                check=lambda known, new=entry: check_append(known, [new], recorded_at=now),  # type: ignore[misc] # bound now
            )
            self._tell_deed(entry)
        again_at = self.service.run_due(now)
        self._answer(now)
        return again_at

    def _answer(self, now: datetime) -> None:
        """Hand what was newly asked to the simulated grower, whose deeds come due a little later."""
        from simulated_feeds.grower import Request

        fresh = [row for row in self.service.outbox.rows(since=now) if row.key not in self.said and row.sent_at]
        self.said.update(row.key for row in fresh)
        asked = {key for row in fresh for key in row.tasks}
        if not asked:
            return
        requests = [
            Request(
                key=task.key,
                kind=task.kind.value,
                batch=task.batch,
                crop=task.crop,
                trays=task.trays,
                water_ml=task.water_ml,
                yield_g_per_tray=self.profiles[task.crop].yield_g_per_tray.usual,
            )
            for task in self.service.advisor.open_tasks(now)
            if task.key in asked
        ]
        self.waiting = sorted([*self.waiting, *self.grower.answer(requests, now)], key=lambda entry: entry.at)

    def _tell_deed(self, entry: NewEntry) -> None:
        """Say in one line what the simulated grower did; water reaches the simulated tray."""
        from monitor.amounts import say_time, say_trays
        from monitor.ledger import EntryKind

        if entry.kind is EntryKind.WATERED and entry.batch == "2":
            self.cellar.pour(float(entry.data.get("ml_per_tray") or 0))
        trays = f", {say_trays(entry.trays)}" if entry.trays else ""
        when = say_time(entry.at, self.farm.zone)
        click.echo(f"   [{when}] Ines (simulated): batch {entry.batch} {entry.kind.value}{trays}")

    def _tray_view(self, now: datetime) -> TrayView:
        """Return how the tray on the load cell stands: batch 2, on rack 1 shelf 2."""
        from monitor.phases import phase_now
        from monitor.reach import is_covered

        batch = self.service.advisor.known.get("2")
        if batch is None or not batch.standing or batch.sown_at is None or batch.sown_at > now:
            return TrayView(is_covered=True, canopy=0.0, stands=batch is None or bool(batch.standing))
        span = phase_now(batch, batch.standing[0], self.profiles[batch.crop], now=now, zone=self.farm.zone)
        age_days = (now - batch.sown_at) / timedelta(days=1)
        return TrayView(is_covered=is_covered(span), canopy=min(max((age_days - 4) / 9, 0.0), 1.0), stands=True)

    def finish(self) -> None:
        """Write the page, and say what came of it all."""
        from dashboards.report import build_report, write_report
        from monitor.amounts import say_time

        now = self.clock()
        page = self.where / "saltcellar.html"
        batches = self.service.advisor.batches(now)
        rows = [row for row in self.service.outbox.rows() if row.channel == "console"]
        report = build_report(self.farm, self.profiles, batches, rows, self.service.store, now=now, is_simulated=True)
        write_report(report, page)
        click.echo("\nSIMULATED, summary")
        for line in report.summary:
            click.echo(f"  {line}")
        seconds = time.perf_counter() - self.began_s
        click.echo(f"  until {say_time(now, self.farm.zone)}, in {seconds:.0f} s with start and report")
        click.echo(f"  page: {page}")
        click.echo(f"  farm file, ledger and readings: {self.where}")

    def go_on(self, stopped: threading.Event) -> None:
        """Go on in real time: a step each real minute, until stopped; whoever opens the pages is the grower now."""
        click.echo(f"Going on in real time at {self.pages.address}; the racks are yours now. Ctrl-C stops.")
        self.waiting = []
        self._ahead = self.clock() - datetime.now(UTC)
        while not stopped.is_set():
            self.woken.wait(_STEP.total_seconds())
            self.woken.clear()
            now = self._now()
            self._publish(now)
            self._wait_until_committed(0)
            self.service.run_due(now)

    def end(self, stopped: threading.Event) -> None:
        """Have the run end at its next step."""
        stopped.set()
        self.woken.set()

    def stop(self) -> None:
        """End everything."""
        self.pages.stop()
        feed = getattr(self, "feed", None)
        if feed is not None:
            feed.stop()
        self.service.stop()
        sys.stdout.flush()
