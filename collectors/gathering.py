"""The collectors beside MQTT that farm.toml asks for: Modbus lines and watched folders."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Protocol

from collectors.folders import FolderCollector
from collectors.intake import Intake
from collectors.modbus import ModbusCollector
from collectors.seenfiles import WATCHED_FILE, SeenFiles
from monitor.clock import Clock
from monitor.farm import Farm


class Gatherer(Protocol):
    """A collector that fetches readings by itself, in a thread of its own."""

    name: str

    @property
    def trouble(self) -> str | None:
        """Return what is wrong with it; None: nothing."""
        ...

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> None:
        """End; what was read is stored first."""
        ...


def gatherers(farm: Farm, intake: Intake, *, clock: Clock, only: Collection[str] | None = None) -> list[Gatherer]:
    """Return the collectors that a farm asks for, none of them started.

    Args:
        farm: The farm.
        intake: Where what they read goes.
        clock: Instants of measuring.
        only: The Modbus lines and watched folders that are wanted, by id; None: all.
    """
    feeds = farm.feeds
    used = {register.line for register in feeds.registers if only is None or register.line in only}
    folders = [folder for folder in feeds.folders.values() if only is None or folder.id in only]
    found: list[Gatherer] = [
        ModbusCollector(line, feeds.registers, farm.sensors, intake, clock=clock)
        for line in feeds.lines.values()
        if line.id in used
    ]
    if folders:
        seen = SeenFiles(Path(farm.storage.folder) / WATCHED_FILE)
        found.append(FolderCollector(folders, farm.sensors, intake, clock=clock, seen=seen))
    return found
