"""What a rule finds, and the one moment at which it looks: Finding, Tick, and the shape of a stage.

A rule is ``(Tick) -> findings``; between rules and alarms findings pass through stages of one signature,
``(findings, tick) -> findings``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum
from typing import Any

from alerts.ward import WHOLE, Ward
from monitor.batches import Batch
from monitor.farm import Farm, Sensor
from monitor.health import Health
from monitor.ledger import Entry
from monitor.live import LiveState
from monitor.profiles import Profile
from monitor.promises import Promise
from monitor.scales import Scales, ScaleView


class Priority(IntEnum):
    """By what it can cost; only URGENT does not wait for a round, and may break quiet hours; LOW is kept, not told."""

    LOW = 1
    MEDIUM = 2
    URGENT = 3


def finding_key(rule: str, spot: str, whom: str | None) -> str:
    """Return the key of a finding of a rule at a place, of a batch or a sensor."""
    return f"{rule}|{spot}|{whom or '-'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A condition that is wrong now.

    Attributes:
        rule: Name of the rule, e.g. ``too cold``.
        spot: Id of the place that it holds for.
        batch: The batch that it harms; None: the place itself, or a sensor.
        sensor: The sensor that shows it; None: none does.
        priority: What it can cost.
        since: Since when it has held.
        value: What was measured last; None: nothing. [stored unit]
        limit: The limit that was passed; None: there is none. [stored unit]
        cause: What is seen, one line.
        consequence: What it does, one line.
        action: What to do, one line.
        harm: Share of the dose that does harm; 0 where no dose is kept. [-]
        wakes: An urgent one breaks quiet hours; else it waits for the round after them.
        is_passing: Once it is over it is not worth telling any more.
    """

    rule: str
    spot: str
    batch: str | None
    sensor: str | None
    priority: Priority
    since: datetime
    value: float | None
    limit: float | None
    cause: str
    consequence: str
    action: str
    harm: float = 0.0
    wakes: bool = True
    is_passing: bool = False

    @property
    def key(self) -> str:
        """Return what makes it the same finding the next time: rule, place and batch (or sensor)."""
        return finding_key(self.rule, self.spot, self.batch or self.sensor)

    @property
    def root(self) -> str:
        """Return what findings told as one share: the rule and the room (or store), whichever shelf shows it."""
        return f"{self.rule}|{self.spot.split('/')[0]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """One moment, with all that a rule, a task or a stage may look at.

    Attributes:
        now: The instant (aware UTC).
        farm: The farm.
        profiles: Crop profiles by id.
        batches: Batches by id, as the ledger tells them at ``now``.
        live: What the sensors say.
        watching_since: When this run of the monitor began; silence before that is not a sensor's.
        scales: What the scales and the air of the last days say.
        health: How the monitor itself is.
        entries: The ledger's entries that hold at ``now``, by instant; for what concerns no batch.
        promises: What is promised to whom, by id, as the ledger tells it at ``now``.
        ward: The rooms that are judged and told of; all else is here to be reckoned with.
        watched_since: By room, since when it has been watched, where that differs from ``watching_since``.
        memo: What several rules ask of this one moment, worked out once; a cache, nothing else.
    """

    now: datetime
    farm: Farm
    profiles: Mapping[str, Profile]
    batches: Mapping[str, Batch]
    live: LiveState
    watching_since: datetime
    scales: ScaleView = field(default_factory=lambda: Scales({}))
    health: Health = field(default_factory=Health)
    entries: tuple[Entry, ...] = ()
    promises: Mapping[str, Promise] = field(default_factory=dict)
    ward: Ward = WHOLE
    watched_since: Mapping[str, datetime] = field(default_factory=dict)
    memo: dict[object, Any] = field(default_factory=dict, compare=False, repr=False)

    def sensors(self) -> tuple[Sensor, ...]:
        """Return the sensors of the rooms that are judged; found once for a moment."""
        found: tuple[Sensor, ...] | None = self.memo.get("sensors judged")
        if found is None:
            listed = self.farm.sensors.values()
            found = self.memo["sensors judged"] = tuple(each for each in listed if self.ward.has(each.spot))
        return found

    def heard_since(self, spot: str) -> datetime:
        """Return since when the sensors at a spot could be heard; silence before that is not theirs."""
        return self.watched_since.get(self.ward.room(spot), self.watching_since)


Rule = Callable[[Tick], tuple[Finding, ...]]
Stage = Callable[[tuple[Finding, ...], Tick], tuple[Finding, ...]]
