"""The running service: every part built here, each handed its collaborators; nothing is decided here.

APScheduler only wakes the code that asks what is due; nothing is stored in it.
"""

from __future__ import annotations

import gc
import logging
import os
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TextIO

from alerts.advisor import Advisor
from alerts.alarms_sql import SqlAlarms
from alerts.channels import Enclosure, open_channels
from alerts.findings import Tick
from alerts.news import down_news
from alerts.outbox_sql import SqlOutbox
from alerts.watch import RoomWatch
from collectors.embedded_broker import EmbeddedBroker
from collectors.intake import Intake
from collectors.mqtt import MqttCollector
from collectors.pipeline import Pipeline
from monitor.calibration import as_of_its_day, calibrations_of
from monitor.clock import Clock, system_clock
from monitor.errors import ChannelError, StoreUnavailableError, TraywardenError
from monitor.farm import Farm, InfluxSettings, Sensor
from monitor.feeds import comes_by_broker
from monitor.following import Follower
from monitor.health import Health
from monitor.housekeeping import keep_house
from monitor.live import HELD, LiveBuffer
from monitor.profiles import Profile
from monitor.readings import Block, from_ms
from monitor.scales import SCALES_FROM, Scales
from monitor.scalesetup import setups_of
from monitor.selfwatch import SelfWatch
from monitor.service.beside import Beside
from monitor.service.clockwork import Clockwork
from monitor.service.upkeep import copy_nightly, tell_well
from monitor.stores.arrivals import SqlArrivals
from monitor.stores.ledger import open_ledger
from monitor.stores.opening import announcer, open_spooled, quarantine_store
from monitor.stores.protocol import ReadingStore
from monitor.unflagged import Flags, Unflagged

if TYPE_CHECKING:
    from starlette.routing import Route

    from collectors.gathering import Gatherer
    from collectors.httppush import PushDoor
    from monitor.stores.spooled import SpooledReadingStore

log = logging.getLogger(__name__)

STATUS_STATE = "service"
_GARBAGE_FROM = 20_000
"""How many objects more than before are looked through for cycles; Python's own is 700."""
_DOWN_FROM = timedelta(minutes=15)
_KEEP_HOUSE = timedelta(hours=1)
"""How often it is asked whether readings have left anything to be done."""


def rest_from_garbage() -> None:
    """Have Python's garbage collector pass over all that is there now, and look at the rest less often.

    A reading makes much that is short-lived and none that is in a cycle; looking through the farm for cycles again and
    again cost a fifth of the processor time of a reading at ten thousand series.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_GARBAGE_FROM, 20, 20)


class Service:
    """All parts of one farm's monitor, started and stopped together."""

    def __init__(
        self,
        farm: Farm,
        profiles: Mapping[str, Profile],
        *,
        clock: Clock = system_clock,
        console: TextIO | None = None,
        look_every: timedelta = timedelta(minutes=1),
        watching_since: datetime | None = None,
        on_change: Callable[[str], None] = lambda _topic: None,
        alone: bool = True,
    ) -> None:
        """Open the stores and build the parts; nothing listens yet.

        Args:
            farm: The farm.
            profiles: Crop profiles by id.
            clock: The present instant.
            console: Where a console channel prints; None: standard output.
            look_every: How often the room is judged.
            watching_since: Since when sensors could be heard; None: now.
            on_change: Told ``readings`` or ``alarms`` when they changed, from whichever thread changed them.
            alone: Whatever readings come, come in here; else, on a farm whose readings and ledger are shared, others
                collect and watch: what they deliver is followed, and the flags of readings are theirs to find.
        """
        self.on_change = on_change
        self._alarms_told: frozenset[tuple[str, str]] = frozenset()
        self.farm, self.profiles, self.clock = farm, profiles, clock
        self.started_at = clock()
        self.ledger = open_ledger(farm.storage.folder, farm.storage.postgres)
        self.aside = quarantine_store(farm)
        self.store: ReadingStore = self.aside
        self.live = LiveBuffer()
        self.scales = Scales(farm.sensors)
        self._follower: Follower | None = None
        flags: Flags | None = None
        if farm.storage.influx is not None:
            spooled = self._open_shared(farm.storage.influx, alone=alone)
            self.store, flags = spooled, None if alone else Unflagged()
        self._is_rebuilt = False
        self._entries_read = -1
        self._read_set_ups()
        self.broker = EmbeddedBroker(farm.broker.port) if farm.broker.embedded and self._needs_broker() else None
        self.pipeline = Pipeline(
            farm,
            quarantine=self.aside.quarantine,
            latest=self.store.latest,
            calibrate=self._calibrated,
            flags=flags,
        )
        self.intake = Intake(self.pipeline, self.store, after_commit=self._take)
        self.gatherers: list[Gatherer] = []
        self._push_door: PushDoor | None = None
        self._rebuild_live()
        self.collector: MqttCollector | None = None
        self._self_watch = SelfWatch(farm.storage.folder)
        self.outbox = SqlOutbox(self.ledger.engine)
        self.watch = RoomWatch(SqlAlarms(self.ledger.engine), every=look_every)
        self._beside = Beside(farm, read=self.store.read, active=self.watch.active, moment=self._moment, clock=clock)
        self.advisor = Advisor(
            farm,
            profiles,
            self.ledger,
            self.outbox,
            live=self.live,
            scales=self.scales,
            watch=self.watch,
            channels=open_channels(farm, publish=self._publish, console=console, picture=self._enclose),
            watching_since=watching_since or self.started_at,
            health=self.health,
            links=self._beside.links,
        )
        self._clockwork = Clockwork(clock, self._wake)
        self._running = threading.Lock()

    def _open_shared(self, settings: InfluxSettings, *, alone: bool) -> SpooledReadingStore:
        """Open the InfluxDB; where the ledger is shared too, tell of what is delivered, and follow what others do."""
        shares = self.farm.storage.is_shared
        told = announcer(self.farm, self.ledger.engine, self.clock).delivered if shares else None
        store = open_spooled(
            self.farm,
            settings,
            quarantine=self.aside.quarantine,
            flags_later=shares and not alone,
            delivered=told or (lambda _block: None),
        )
        if shares and not alone:
            self._follower = Follower(
                self.farm,
                store,
                SqlArrivals(self.ledger.engine),
                live=self.live,
                scales=self.scales,
                take=self._take,
                judges=False,
            )
            self._follower.begin()
        return store

    def _enclose(self, payload: Mapping[str, object]) -> Enclosure | None:
        """Return the picture that goes out with a message."""
        return self._beside.picture(payload)

    def _moment(self, now: datetime) -> Tick:
        """Return the moment with all that may be looked at."""
        return self.advisor.moment(now)

    def _rebuild_live(self) -> None:
        """Read the sensors' last hours back from the store; one that does not answer now is asked again later."""
        sensors = list(self.farm.sensors)
        try:
            if sensors:
                now = self.clock()
                self.live.rebuild(sensors, self.store.read(sensors, now - HELD, now + timedelta(minutes=5)))
            if self.scales.followed:
                with self.pipeline.turn:  # a store that was away is read back while readings come in
                    self.pipeline.remember(self._read_back(self.scales.followed))
        except StoreUnavailableError as exc:
            log.warning("store.not_read_back why=%s", exc)
            return
        self._is_rebuilt = True

    def _read_back(self, sensors: Sequence[str]) -> Block:
        """Read the last weeks of scales and air back from the store."""
        now = self.clock()
        block = self.store.read(sensors, now - SCALES_FROM, now + timedelta(minutes=5))
        self.scales.rebuild(sensors, block)
        return block

    def _read_set_ups(self) -> None:
        """Take over the set-ups of scales and the calibrations of sensors, where the ledger has grown."""
        entries = self.ledger.entries()
        if len(entries) != self._entries_read:
            self._entries_read = len(entries)
            self.scales.set_up(setups_of(entries, self.farm.sensors))
            self._calibrations = calibrations_of(entries)

    def _catch_up(self) -> None:
        """Take over what the ledger says of sensors, and read back from the store what needs it.

        A store that does not answer keeps nobody from being told what is due; it is asked again the next time.
        """
        self._read_set_ups()
        try:
            if not self._is_rebuilt:
                self._rebuild_live()
            elif self.scales.stale():
                self._read_back(self.scales.stale())
        except StoreUnavailableError as exc:
            log.warning("store.not_read_back why=%s", exc)

    def _calibrated(self, sensor: Sensor, value: float, at_ms: int) -> float:
        """Return a value as a better instrument would have shown it, by the calibration of its day."""
        return as_of_its_day(self._calibrations, sensor.id, value, at_ms)

    def _take(self, block: Block) -> None:
        """Hand a committed block to all that follow the readings."""
        self.live.take(block)
        self.scales.take(block)
        self.on_change("readings")

    def follow_store(self, since: datetime) -> datetime:
        """Take in what another process stored since an instant, and return since when to ask the next time."""
        with self._running:
            self._catch_up()
        if self._follower is not None:
            self._follower.step(self.clock())
            return since
        sensors = list(self.farm.sensors)
        block = self.store.read(sensors, since, self.clock() + timedelta(minutes=5)) if sensors else None
        if block is None or not len(block.measured_at_ms):
            return since
        self._take(block)
        return from_ms(int(block.measured_at_ms.max()) + 1)

    def _publish(self, topic: str, payload: bytes) -> None:
        """Publish over the collector's connection."""
        if self.collector is None:
            raise ChannelError("this farm listens to no broker; give it a sensor with a topic, or another channel")
        self.collector.publish(topic, payload)

    def start_listening(self) -> None:
        """Start the embedded broker, if the farm uses one, and listen; a farm without sensors does neither.

        Raises:
            BrokerError: The broker's settings cannot be used.
        """
        self._start_gatherers()
        if self.broker is None and not self._needs_broker():
            return
        if self.broker is not None:
            self.broker.start()
        self.collector = MqttCollector(
            self.farm.broker,
            self.pipeline,
            self.store,
            clock=self.clock,
            port=self.broker.port if self.broker is not None else None,
            after_commit=self._take,
            speaks_v5=self.broker is None,
        )
        self.collector.start()

    def _start_gatherers(self) -> None:
        """Start the collectors beside MQTT; their libraries are imported only where the farm has any."""
        feeds = self.farm.feeds
        if feeds.registers or feeds.folders:
            from collectors.gathering import gatherers

            self.gatherers = gatherers(self.farm, self.intake, clock=self.clock)
        for each in self.gatherers:
            each.start()

    def push_routes(self) -> list[Route]:
        """Return the routes to which the farm's devices push; none where it has no such devices."""
        if not self.farm.feeds.devices:
            return []
        from collectors.httppush import PushDoor, push_routes

        self._push_door = PushDoor(self.farm.feeds.devices.values(), self.intake, clock=self.clock)
        return push_routes(self._push_door)

    def _needs_broker(self) -> bool:
        """Tell whether anything of the farm goes over MQTT."""
        return any(comes_by_broker(sensor.topic) for sensor in self.farm.sensors.values()) or any(
            channel.kind == "mqtt" for channel in self.farm.channels.values()
        )

    def run_due(self, now: datetime) -> datetime:
        """Judge, tell and send what is due; one call at a time. Returns when to be called next."""
        with self._running:
            self._catch_up()
            again_at = self.advisor.run_due(now)
        alarms = frozenset((alarm.key, alarm.state.value) for alarm in self.watch.active())
        if alarms != self._alarms_told:
            self._alarms_told = alarms
            self.on_change("alarms")
        return again_at

    def look_at_once(self) -> None:
        """Have the clockwork look now; nothing happens where none runs."""
        self._clockwork.at_once()

    def health(self, now: datetime) -> Health:
        """Return how the monitor itself is."""
        return self._self_watch.look(now, self.collector)

    def tell_well(self) -> None:
        """Send the sign that all is well, where farm.toml asks for one and all is well; a failure is logged only."""
        tell_well(self.farm, self.health, self.clock(), self._publish)

    def tell_downtime(self, now: datetime) -> None:
        """Have the next round tell that the monitor was down, where its last sign of life is old."""
        known = self.outbox.state(STATUS_STATE)
        if known is None or not self.farm.sensors:
            return
        last_at = datetime.fromisoformat(str(known["beat_at"]))
        if now - last_at < _DOWN_FROM:
            return
        self.advisor.keep_news(down_news(last_at, now, self.farm), now)

    def start_clockwork(self) -> None:
        """Have run_due called when it asks to be, and at an interval against clock jumps and other processes."""
        self._clockwork.start()
        if self.farm.ping is not None:
            self._clockwork.also(self.tell_well, self.farm.ping.every)
        self._clockwork.also(self._keep_house, _KEEP_HOUSE)
        self.tell_downtime(self.clock())
        self._clockwork.wake()

    def _wake(self, now: datetime) -> datetime:
        """Run what is due, note how the service is, and return when to be woken next."""
        self._self_watch.note_clock(now)
        again_at = self.run_due(now)
        self._note_status(now)
        copy_nightly(self.farm, self.ledger, self.outbox, now)
        if self.collector is not None:
            self.collector.beat()
        return again_at

    def _keep_house(self) -> None:
        """Do what readings leave to be done, in a thread of its own; what goes wrong is tried again an hour later."""
        try:
            keep_house(self.store, self.farm.storage, self.clock())
        except TraywardenError as exc:
            log.error("house.failed why=%s", exc)
        except Exception:
            log.exception("house.unexpected")

    def _note_status(self, now: datetime) -> None:
        """Write down how the service is, for `traywarden status`."""
        self.outbox.put([], state={STATUS_STATE: self.status(now)}, now=now)

    def status(self, now: datetime) -> dict[str, Any]:
        """Return how the service is, as `traywarden status` shows it."""
        counters = self.pipeline.counters
        doors = () if self._push_door is None else (self._push_door,)
        collector = self.collector
        return {
            "pid": os.getpid(),
            "started_at": self.started_at.isoformat(),
            "beat_at": now.isoformat(),
            "listens": collector is not None,
            "broker_port": self.broker.port if self.broker is not None else self.farm.broker.port,
            "broker_connected": collector is not None and collector.is_connected,
            "trouble": collector.trouble if collector is not None else None,
            "store": self._store_status(),
            "feeds": [{"name": each.name, "trouble": each.trouble} for each in (*self.gatherers, *doors)],
            "disk_free_bytes": self.health(now).disk_free_bytes,
            "messages": counters.messages,
            "readings": counters.readings,
            "quarantined": counters.quarantined,
            "dropped": dict(counters.dropped),
            "unclaimed_topics": list(counters.unclaimed)[-20:],
        }

    def _store_status(self) -> dict[str, Any] | None:
        """Return how the way to an InfluxDB is; None: readings are kept in the SQLite file."""
        from monitor.stores.spooled import SpooledReadingStore

        if not isinstance(self.store, SpooledReadingStore):
            return None
        spool = self.store.spool
        return {"waiting": spool.waiting(), "refused": spool.refused_count(), "trouble": self.store.trouble}

    def stop(self) -> None:
        """Stop listening and close everything; what is queued is stored first. A second call does nothing."""
        self.aside.interrupt()
        self._beside.close()
        self._clockwork.stop()
        if self._push_door is not None:
            self._push_door.close()
        for each in self.gatherers:
            each.stop()
        self.gatherers = []
        if self.collector is not None:
            self.collector.stop()
            self.collector = None
        if self.broker is not None:
            self.broker.stop()
        if self.store is not self.aside:
            self.store.close()
        self.aside.close()
        self.ledger.close()
