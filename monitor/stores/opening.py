"""How the store of a farm's readings is opened, by what farm.toml says of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import closing
from typing import TYPE_CHECKING

from monitor.clock import Clock, system_clock
from monitor.errors import StoreError
from monitor.farm import Farm, InfluxSettings
from monitor.places import room_of
from monitor.readings import Block
from monitor.stores.protocol import ReadingStore
from monitor.stores.spool import SPOOL_FILE
from monitor.stores.sqlite import READINGS_FILE, SqliteReadingStore

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from monitor.stores.announcer import Announcer
    from monitor.stores.influx import InfluxReadingStore
    from monitor.stores.sender import Quarantine
    from monitor.stores.spooled import SpooledReadingStore


def influx_token(settings: InfluxSettings) -> str:
    """Return the InfluxDB token from its file or environment variable; never from farm.toml.

    Raises:
        StoreError: Neither gives one that can be read.
    """
    if settings.token_file is not None:
        try:
            return settings.token_file.read_text(encoding="utf-8").strip()
        except OSError as exc:
            raise StoreError(f"the InfluxDB token file {settings.token_file}: {exc.strerror}") from exc
    return os.environ.get(settings.token_env or "", "")


def quarantine_store(farm: Farm) -> SqliteReadingStore:
    """Open the farm's SQLite file, which always holds the quarantine, and usually the readings too."""
    return SqliteReadingStore(farm.storage.folder / READINGS_FILE)


def unread_count(farm: Farm) -> int:
    """Return how much of what came in is set aside since it could not be read; nothing is begun for it.

    Raises:
        StoreError: The readings' file cannot be opened.
    """
    if not (farm.storage.folder / READINGS_FILE).exists():
        return 0
    with closing(quarantine_store(farm)) as store:
        return store.unread.count()


def open_readings(farm: Farm, *, quarantine: Quarantine = lambda *_: None) -> ReadingStore:
    """Open the store in which the farm keeps its readings: the SQLite file, or InfluxDB where farm.toml says so.

    Args:
        farm: The farm.
        quarantine: Shown the rows that an InfluxDB refuses for good.

    Raises:
        StoreError: It cannot be opened.
    """
    settings = farm.storage.influx
    if settings is None:
        return quarantine_store(farm)
    return open_spooled(farm, settings, quarantine=quarantine, delivered=telling(farm))


def telling(farm: Farm) -> Callable[[Block], None]:
    """Return what tells those who follow a shared store of a delivery; the ledger is opened at the first.

    No connection is left open from one delivery to the next.
    """
    if not farm.storage.is_shared:
        return lambda _block: None
    known: list[tuple[Announcer, Engine]] = []

    def tell(block: Block) -> None:
        from monitor.stores.ledger import open_ledger

        if not known:
            engine = open_ledger(farm.storage.folder, farm.storage.postgres).engine
            known.append((announcer(farm, engine, system_clock), engine))
        teller, engine = known[0]
        teller.delivered(block)
        engine.dispose()

    return tell


def announcer(farm: Farm, engine: Engine, clock: Clock) -> Announcer:
    """Return what notes deliveries of a farm's readings in its ledger database."""
    from monitor.stores.announcer import Announcer
    from monitor.stores.arrivals import SqlArrivals

    rooms = {sensor.id: room_of(sensor.spot) for sensor in farm.sensors.values()}
    return Announcer(SqlArrivals(engine), rooms, clock=clock)


def open_spooled(
    farm: Farm,
    settings: InfluxSettings,
    *,
    quarantine: Quarantine,
    spool_file: str = SPOOL_FILE,
    flags_later: bool = False,
    delivered: Callable[[Block], None] = lambda _block: None,
) -> SpooledReadingStore:
    """Open the farm's InfluxDB behind a spool; see SpooledReadingStore and open_influx.

    Raises:
        StoreError: It cannot be opened.
    """
    from monitor.stores.spooled import SpooledReadingStore

    server = open_influx(farm, settings, patient=True, flags_later=flags_later)
    try:
        return SpooledReadingStore(
            server,
            farm.storage.folder,
            most_bytes=settings.spool_mb * 1_000_000,
            quarantine=quarantine,
            spool_file=spool_file,
            delivered=delivered,
        )
    except BaseException:
        server.close()
        raise


def open_influx(
    farm: Farm, settings: InfluxSettings, *, patient: bool = False, flags_later: bool = False
) -> InfluxReadingStore:
    """Open the farm's InfluxDB itself, without the spool before it.

    Args:
        farm: The farm.
        settings: Where it is.
        patient: Open it though it does not answer now.
        flags_later: Somebody else finds out what is odd about the readings that are written.

    Raises:
        StoreError: It cannot be opened.
    """
    from monitor.stores.influx import InfluxReadingStore

    spots = {sensor.id: (sensor.quantity, sensor.spot) for sensor in farm.sensors.values()}
    return InfluxReadingStore(settings, influx_token(settings), spots, patient=patient, flags_later=flags_later)
