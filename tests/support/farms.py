"""Farms and batches that tests are played on: Saltcellar Farm, an invented cellar."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from monitor.farm import Farm
from monitor.farmfile import parse_farm
from monitor.ledger import Entry, EntryKind, NewEntry

TEXT = """
[farm]
name = "Saltcellar Farm"
time_zone = "{zone}"
rounds = ["07:30", "17:00"]

[[room]]
id = "cellar"
lamp = "06:00-22:00"

[[rack]]
id = "1"
room = "cellar"
shelves = 3
trays_per_shelf = 12

[[rack]]
id = "2"
room = "cellar"
shelves = 3
trays_per_shelf = 12

[[place]]
id = "cold"
name = "the cold store"
kind = "cold store"
limits = {{ temperature = {{ low = 1, high = 5 }} }}

[[person]]
id = "ines"
channels = ["console"]

[[person]]
id = "tomek"
channels = ["console"]
days = ["sat"]
{more}
"""


def farm(folder: Path, *, zone: str = "Europe/Lisbon", more: str = "") -> Farm:
    """Return Saltcellar Farm in a zone, with more tables at the end of its file."""
    return parse_farm(TEXT.format(zone=zone, more=more), file="farm.toml", folder=folder)


def sensor_text(name: str, quantity: str, spot: str, **more: str | float | bool) -> str:
    """Return one [[sensor]] table."""
    lines = ["[[sensor]]", f'id = "{name}"', f'quantity = "{quantity}"', f'spot = "{spot}"', f'topic = "t/{name}"']
    for key, value in more.items():
        lines.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {str(value).lower()}")
    return "\n".join(lines) + "\n"


class Book:
    """A ledger in memory, with the instants of a zone's wall clock."""

    def __init__(self, zone: str = "Europe/Lisbon") -> None:
        """Begin empty."""
        self.zone = ZoneInfo(zone)
        self.entries: list[Entry] = []

    def at(self, day: str, clock: str = "09:00") -> datetime:
        """Return an instant of a local day."""
        wall = datetime.fromisoformat(f"{day}T{clock}")
        return wall.replace(tzinfo=self.zone).astimezone(ZoneInfo("UTC"))

    def add(self, kind: EntryKind, at: datetime, batch: str | None = "1", **more: Any) -> Entry:
        """Add an entry without any check."""
        data = more.pop("data", {})
        entry = Entry(
            kind=kind, at=at, by="ines", batch=batch, data=data, id=len(self.entries) + 1, recorded_at=at, **more
        )
        self.entries.append(entry)
        return entry

    def sow(self, at: datetime, crop: str, trays: int, batch: str = "1", spot: str | None = "cellar/1/1") -> Entry:
        """Sow a batch."""
        return self.add(EntryKind.SOWN, at, batch, trays=trays, spot=spot, data={"crop": crop, "tray_kind": "1020"})


def new(kind: EntryKind, at: datetime, batch: str | None = "1", **more: Any) -> NewEntry:
    """Return an entry that was not written yet."""
    return NewEntry(kind=kind, at=at, by="ines", batch=batch, **more)
