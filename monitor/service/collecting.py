"""A collector that runs by itself: it takes its share of the messages, and stores their readings for all.

Several of them, on any machines, share the messages of one broker. Each sees a part of every series, so it flags a
reading by its value alone; who watches the room flags it by what came before.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Collection
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from collectors.intake import Intake
from collectors.mqtt import MqttCollector
from collectors.pipeline import Pipeline
from monitor.calibration import as_of_its_day, calibrations_of
from monitor.clock import Clock, system_clock
from monitor.errors import NotFoundError, RefusedError, StoreError
from monitor.farm import Farm, Sensor
from monitor.feeds import comes_by_broker
from monitor.service.shared import hold_name, shared_stores
from monitor.stores.ledger import open_ledger
from monitor.stores.opening import announcer, open_spooled, quarantine_store
from monitor.stores.states import COLLECTOR_STATE, ServiceStates
from monitor.unflagged import Unflagged

if TYPE_CHECKING:
    from collectors.gathering import Gatherer

log = logging.getLogger(__name__)

_BEAT = timedelta(seconds=20)
_FIRST_BEAT = timedelta(seconds=5)
_ALIVE_FOR = timedelta(minutes=1)
"""A collector whose last sign of life is younger is taken to run."""


class Collecting:
    """All parts of one collector, started and stopped together."""

    def __init__(
        self,
        farm: Farm,
        name: str,
        *,
        clock: Clock = system_clock,
        leaves: bool = False,
        only: Collection[str] = (),
    ) -> None:
        """Open the stores and build the parts; nothing listens yet.

        Args:
            farm: The farm.
            name: By which the broker knows this collector: what came for it while it was away waits under this name.
            clock: The present instant.
            leaves: Take no new share, and take in what waits for this one; see has_left.
            only: Modbus lines and watched folders that this collector reads too, by id.

        Raises:
            RefusedError: The farm shares nothing, or a collector of this name runs already.
            NotFoundError: It is to leave, and no collector of this name is known.
            StoreError: A store cannot be opened.
        """
        influx, postgres = shared_stores(farm, "collect")
        self.farm, self.name, self.clock, self.leaves = farm, name, clock, leaves
        self.started_at = clock()
        self._only = only
        self.listens = any(comes_by_broker(sensor.topic) for sensor in farm.sensors.values())
        if self.listens and farm.broker.embedded:
            raise RefusedError(
                "collectors share a broker of your own, and farm.toml has none: set embedded = false and host under "
                '[broker] (README, "Sensors and the broker"); the embedded one lives in `traywarden run`'
            )
        with ExitStack() as opened:  # what a later step that fails must not leave behind
            self._name_held = opened.enter_context(hold_name(farm.storage.folder, "collector", name))
            self.ledger = open_ledger(farm.storage.folder, postgres)
            opened.callback(self.ledger.close)
            self._states = ServiceStates(self.ledger.engine)
            known = self._states.of(COLLECTOR_STATE + name)
            self._refuse_twin(known)
            self._refuse_unknown(known)
            self.announcer = announcer(farm, self.ledger.engine, clock)
            self.aside = opened.enter_context(closing(quarantine_store(farm)))
            self.store = open_spooled(
                farm,
                influx,
                quarantine=self.aside.quarantine,
                spool_file=f"spool-{name}.db",
                flags_later=True,
                delivered=self.announcer.delivered,
            )
            opened.callback(self.store.close)
            self._entries_read = self.ledger.version()  # first: an entry that comes meanwhile is read again
            self._calibrations = calibrations_of(self.ledger.entries())
            self.pipeline = Pipeline(
                farm,
                quarantine=self.aside.quarantine,
                latest=self.store.latest,
                calibrate=self._calibrated,
                flags=Unflagged(),
            )
            self.intake = Intake(self.pipeline, self.store)
            self.gatherers: list[Gatherer] = []
            self.collector = MqttCollector(
                replace(
                    farm.broker,
                    client_id=f"{farm.broker.client_id}-{name}",
                    heartbeat_topic=f"{farm.broker.heartbeat_topic}/{name}",
                ),
                self.pipeline,
                self.store,
                clock=clock,
                share=farm.broker.client_id,
                leaves=leaves,
            )
            self.announcer.begin(None if known is None else datetime.fromisoformat(known["beat_at"]))
            opened.pop_all()
        self._stopping = threading.Event()
        self._beating: threading.Thread | None = None

    def _refuse_twin(self, known: dict[str, Any] | None) -> None:
        """Refuse to run beside a collector of the same name on another machine: the broker would cut each in turn."""
        if known is None or known["host"] == socket.gethostname() or known.get("stopped"):
            return
        beat_at = datetime.fromisoformat(known["beat_at"])
        if abs(self.clock() - beat_at) < _ALIVE_FOR:
            raise RefusedError(
                f"a collector named {self.name} gave a sign of life on {known['host']} less than a minute ago; stop it "
                "there, or give this one another --name"
            )

    def _refuse_unknown(self, known: dict[str, Any] | None) -> None:
        """Refuse to take out a collector that never was: it is a slip of the name, and the one that was meant stays."""
        if known is not None or not self.leaves:
            return
        others = ", ".join(self._states.beginning(COLLECTOR_STATE)) or "none"
        raise NotFoundError(f"no collector {self.name!r} is known; there are: {others}")

    def _calibrated(self, sensor: Sensor, value: float, at_ms: int) -> float:
        """Return a value as a better instrument would have shown it, by the calibration of its day."""
        return as_of_its_day(self._calibrations, sensor.id, value, at_ms)

    # -- running --------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Listen, read what else is asked for, and give signs of life.

        Raises:
            BrokerError: The broker's settings cannot be used.
        """
        if self.listens:
            self.collector.start()
        if self._only and not self.leaves:
            from collectors.gathering import gatherers

            self.gatherers = gatherers(self.farm, self.intake, clock=self.clock, only=self._only)
        for each in self.gatherers:
            each.start()
        self._beating = threading.Thread(target=self._beat_until_stopped, name="collector-beat", daemon=True)
        self._beating.start()

    def _beat_until_stopped(self) -> None:
        """Note now and then how this collector is, and look what the ledger says of its sensors."""
        if self.listens:
            self.collector.wait_for(lambda: self.collector.is_connected or self._stopping.is_set(), _FIRST_BEAT)
        while not self._stopping.is_set():
            self.beat()
            self._stopping.wait(_BEAT.total_seconds())

    def beat(self) -> None:
        """Note how this collector is, take over new calibrations, and tell what could not be told before.

        A ledger that does not answer keeps no reading from being stored.
        """
        try:
            self.collector.beat()
            version = self.ledger.version()
            if version != self._entries_read:
                self._calibrations, self._entries_read = calibrations_of(self.ledger.entries()), version
            self.announcer.again()  # first: what was not told is told again from the last sign of life on
            self._states.put(COLLECTOR_STATE + self.name, self.status(), now=self.clock())
        except StoreError as exc:
            log.warning("collector.beat_failed why=%s", exc)
        except Exception:
            log.exception("collector.beat_unexpected")

    def status(self, *, stopped: bool = False) -> dict[str, Any]:
        """Return how this collector is, as `traywarden status` shows it."""
        counters = self.pipeline.counters
        return {
            "host": socket.gethostname(),
            "pid": os.getpid(),
            "started_at": self.started_at.isoformat(),
            "beat_at": self.clock().isoformat(),
            "stopped": stopped,
            "listens": self.listens,
            "broker_connected": self.collector.is_connected,
            "trouble": self.store.trouble or (self.collector.trouble if self.listens else None),
            "waiting": self.store.spool.waiting(),
            "refused": self.store.spool.refused_count(),
            "feeds": [{"name": each.name, "trouble": each.trouble} for each in self.gatherers],
            "messages": counters.messages,
            "readings": counters.readings,
            "quarantined": counters.quarantined,
            "dropped": dict(counters.dropped),
            "unclaimed_topics": list(counters.unclaimed)[-20:],
        }

    def leave(self, within: timedelta) -> None:
        """Wait until what the broker and the spool held for a collector that leaves is in the shared store; forget it.

        Raises:
            RefusedError: It was not within the time; nothing is lost, and it may be asked again.
        """
        if self.listens:
            self.collector.wait_for(lambda: self.collector.has_left, within)
        if not self._broker_let_go():
            raise RefusedError(
                f"not everything that waits for collector {self.name} came within {within.total_seconds():.0f} s: "
                f"{self.collector.trouble or 'the broker is still handing it over'}; nothing is lost, try again"
            )
        if not self.store.drained(within):
            raise RefusedError(
                f"{self.store.spool.waiting()} readings of collector {self.name} wait on this machine for the "
                f"InfluxDB: {self.store.trouble or 'it is still taking them'}; nothing is lost, try again"
            )

    def _broker_let_go(self) -> bool:
        """Tell whether the broker holds nothing for a collector that leaves; for one that heard none it never did."""
        return self.collector.has_left if self.listens else self.leaves

    def stop(self) -> None:
        """Store what is queued, say good-bye, close everything; a collector that has left is forgotten.

        A second call does nothing.
        """
        if self._name_held.closed:
            return
        self._stopping.set()
        if self._beating is not None:
            self._beating.join(30)
        for each in self.gatherers:
            each.stop()
        self.collector.stop()
        has_left = self._broker_let_go() and self.store.spool.is_empty()
        try:
            self.announcer.again()
            if has_left:
                self._states.forget(COLLECTOR_STATE + self.name)
            elif self._beating is not None:
                self._states.put(COLLECTOR_STATE + self.name, self.status(stopped=True), now=self.clock())
        except StoreError as exc:
            log.warning("collector.state_not_left why=%s", exc)
        self.store.close()
        self.aside.close()
        self.ledger.close()
        self._name_held.close()
        log.info("collector.stopped name=%s left=%s", self.name, has_left)
