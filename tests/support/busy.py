"""A house in which something of everything stands: for tests of pages and of what programs ask."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Finding, Priority
from monitor.ledger import EntryKind, NewEntry
from monitor.readings import Block, Reading
from tests.support.farms import sensor_text
from tests.support.houses import NOW, Lodge, lodge

SENSORS = sensor_text("air-1", "temperature", "cellar") + sensor_text("damp-1", "humidity", "cellar")
SENSORS += sensor_text("lux-1", "light", "1/1")


def alarm(
    now: datetime,
    *,
    rule: str = "too cold",
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    priority: Priority = Priority.URGENT,
    spot: str = "cellar",
    batch: str | None = "1",
) -> Alarm:
    """Return an alarm that was raised twenty minutes ago."""
    since = now - timedelta(minutes=20)
    finding = Finding(
        rule=rule,
        spot=spot,
        batch=batch,
        sensor="air-1",
        priority=priority,
        since=since,
        value=7.5,
        limit=15.0,
        cause="7.5 °C by air-1, 15 °C at least is asked.",
        consequence="Growth stands still, and basil is chilled.",
        action="Look at the heater and the door.",
    )
    return Alarm(key=finding.key, state=state, finding=finding, first_at=since, last_change_at=since)


def enter(house: Lodge, kind: EntryKind, hours_ago: float, batch: str | None = None, **more: Any) -> None:
    """Enter something that was done some hours ago."""
    at = house.clock() - timedelta(hours=hours_ago)
    house.enter(NewEntry(kind=kind, at=at, by="ines", batch=batch, **more))


def busy(folder: Path, *, now: datetime = NOW, more: str = "") -> Lodge:
    """Return a farm with batches in all phases, a hold, lots, promises, a stand-in, alarms and readings."""
    house = lodge(folder, now=now, more=SENSORS + more)
    enter(house, EntryKind.LOT, 300, data={"lot": "R-77", "crop": "radish", "grams": 2500.0, "treated": False})
    enter(house, EntryKind.GERMINATED, 290, data={"lot": "R-77", "germinated": 88, "seeds": 100, "label_pct": 92.0})
    data = {"crop": "radish", "tray_kind": "1020", "lot": "R-77", "treated": False, "seed_g_per_tray": 30.0}
    enter(house, EntryKind.SOWN, 48, "1", trays=8, spot="cellar/1/1", data=data)
    house.sow("2", "basil-thai", 4, "cellar/1/2", days_ago=9)
    house.sow("3", "pea", 6, "cellar/2/1", days_ago=11)
    house.sow("4", "sunflower", 5, "cellar/2/2", days_ago=3)
    enter(house, EntryKind.UNCOVERED, 96, "2")
    enter(house, EntryKind.LIGHTS_ON, 72, "2")
    enter(house, EntryKind.HARVESTED, 5, "3", trays=2, data={"grams": 500.0})
    enter(house, EntryKind.DELIVERED, 4, "3", trays=1, data={"whom": "the corner table", "living": False})
    enter(house, EntryKind.HELD, 2, "2", data={"why": "the bag smelled of petrol"})
    enter(house, EntryKind.SOAKED, 6, "5", data={"crop": "pea", "seed_g": 880.0, "trays_planned": 4, "lot": "P-1"})
    promise = {"whom": "the corner table", "living": False}
    on = house.clock().date()
    for number, crop, trays, days, every in (
        ("P1", "radish", 6, 5, 7),
        ("P2", "basil", 4, 20, None),
        ("P3", "pea", 9, 1, None),
    ):
        terms = {**promise, "promise": number, "crop": crop, "for": (on + timedelta(days=days)).isoformat()}
        enter(house, EntryKind.PROMISED, 3, trays=trays, data={**terms, "every_days": every})
    cover = {"person": "ines", "standin": "tomek", "from": on.isoformat(), "to": on.isoformat(), "note": "left drawer"}
    enter(house, EntryKind.COVER, 1, data=cover)
    house.alarms = {
        each.key: each
        for each in (
            alarm(now),
            alarm(now, rule="too damp", state=AlarmState.RETURNED_UNACKNOWLEDGED, priority=Priority.MEDIUM, batch="4"),
        )
    }
    said = (("air-1", 60, 7.5), ("damp-1", 120, 71.0), ("lux-1", 180, 5200.0), ("lux-1", 480, 5100.0))
    readings = [
        Reading(sensor=name, measured_at=now - timedelta(seconds=ago), value=value) for name, ago, value in said
    ]
    house.read(Block.from_readings(readings))
    house.status = {
        "pid": 1,
        "started_at": (now - timedelta(hours=5)).isoformat(),
        "beat_at": (now - timedelta(seconds=20)).isoformat(),
        "listens": True,
        "broker_connected": True,
        "disk_free_bytes": 12_000_000_000,
        "messages": 120,
        "readings": 240,
        "quarantined": 1,
        "dropped": {'clock "wrong"\\': 2},
    }
    return house
