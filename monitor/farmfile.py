"""farm.toml as a Farm; every fault is reported at once, with line and key. monitor/keys.py lists the keys."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, Fault, NotFoundError, UnitError
from monitor.farm import BrokerSettings, ChannelSettings, Farm, InfluxSettings, Sensor, StorageSettings, TrayKind
from monitor.farmvalues import FarmValues
from monitor.keys import KEYS, keys_of
from monitor.people import WEEKDAYS, Person, QuietHours
from monitor.places import Places, Spot, SpotKind
from monitor.readings import Quantity
from monitor.tomlfaults import syntax_fault
from monitor.units import factor_and_offset

_KINDS = {"cold store": SpotKind.COLD_STORE, "seed cupboard": SpotKind.CUPBOARD, "other": SpotKind.OTHER}


class _FarmReader(FarmValues):
    """Reads farm.toml table by table, and collects what is wrong with it."""

    def __init__(self, text: str, file: str, folder: Path) -> None:
        """Take the file's text, its name for messages, and the folder that paths start from."""
        super().__init__(text, file, folder)
        self.spots: dict[str, Spot] = {}

    def add_spot(self, spot: Spot, key: str) -> None:
        """Keep a spot, once."""
        if spot.id in self.spots:
            self.fault(key, spot.id, "this place stands twice; give one of them another id")
        self.spots[spot.id] = spot

    def places(self, document: Mapping[str, Any]) -> Places:
        """Return all spots in walking order: the rooms with their racks in file order, then other places."""
        rooms: dict[str, tuple[Mapping[str, Any], str]] = {}
        for table, path in self.tables(document, "room"):
            room = self.id_of(table, path, rooms)
            rooms[room] = (table, path)
        racks = list(self.tables(document, "rack"))
        if not rooms:
            self.fault("room", None, "one [[room]] at least is needed, where the racks stand")
        changes = self.shelf_changes(document)
        for room, (table, path) in rooms.items():
            name = self.text_or(table, "name", path, room)
            self.add_spot(
                Spot(
                    id=room,
                    kind=SpotKind.ROOM,
                    name=name,
                    limits=self.limits(table, path),
                    lamp=self.lamp(table, path),
                ),
                f"{path}id",
            )
            prefix = f"{name}, " if len(rooms) > 1 else ""
            for rack, rack_path in racks:
                if str(rack.get("room")) == room:
                    self.rack(rack, rack_path, room, prefix, changes)
        for rack, path in racks:
            if str(rack.get("room")) not in rooms:
                self.fault(f"{path}room", rack.get("room"), f"one of the rooms: {', '.join(rooms) or 'none yet'}")
        for left, (_, path) in changes.items():
            self.fault(f"{path}number", f"shelf {left[1]} of rack {left[0]}", "a shelf that one of the racks has")
        for table, path in self.tables(document, "place"):
            self.place(table, path)
        return Places(tuple(self.spots.values()))

    def shelf_changes(self, document: Mapping[str, Any]) -> dict[tuple[str, int], tuple[Mapping[str, Any], str]]:
        """Return what [[shelf]] tables say, by rack and number."""
        found = {}
        for table, path in self.tables(document, "shelf"):
            number = self.number_or(table, "number", path, None, 1, 20)
            if number is None:
                self.fault(f"{path}number", None, "the number of the shelf is needed")
                continue
            found[(str(table.get("rack")), int(number))] = (table, path)
        return found

    def rack(
        self,
        table: Mapping[str, Any],
        path: str,
        room: str,
        prefix: str,
        changes: dict[tuple[str, int], tuple[Mapping[str, Any], str]],
    ) -> None:
        """Add a rack, its shelves and their places."""
        rack = self.id_of(table, path, {})
        rack_id = f"{room}/{rack}"
        name = prefix + self.text_or(table, "name", path, f"rack {rack}")
        shelves = self.number_or(table, "shelves", path, None, 1, 20)
        if shelves is None:
            self.fault(f"{path}shelves", None, "how many shelves the rack has")
        holds = int(self.number_or(table, "trays_per_shelf", path, 4, 1, 60))
        self.add_spot(
            Spot(
                id=rack_id, kind=SpotKind.RACK, name=name, limits=self.limits(table, path), lamp=self.lamp(table, path)
            ),
            f"{path}id",
        )
        for number in range(1, int(shelves or 1) + 1):
            own, own_path = changes.pop((rack_id, number), ({}, path))
            trays = int(self.number_or(own, "trays", own_path, holds, 1, 60))
            shelf_id = f"{rack_id}/{number}"
            self.add_spot(
                Spot(
                    id=shelf_id,
                    kind=SpotKind.SHELF,
                    name=f"{name} shelf {number}",
                    limits=self.limits(own, own_path),
                    lamp=self.lamp(own, own_path),
                    holds_trays=trays,
                ),
                f"{path}id",
            )
            for place in range(1, trays + 1):
                self.add_spot(
                    Spot(
                        id=f"{shelf_id}/{place}",
                        kind=SpotKind.POSITION,
                        name=f"{name} shelf {number} place {place}",
                        holds_trays=1,
                    ),
                    f"{path}id",
                )

    def place(self, table: Mapping[str, Any], path: str) -> None:
        """Add a place without racks."""
        place = self.id_of(table, path, {})
        kind = self.one_of(table, "kind", path, tuple(_KINDS), "other")
        self.add_spot(
            Spot(
                id=place,
                kind=_KINDS[kind],
                name=self.text_or(table, "name", path, place),
                limits=self.limits(table, path),
            ),
            f"{path}id",
        )

    def spot_at(self, table: Mapping[str, Any], path: str) -> str:
        """Return the id of a place that must be there."""
        said = str(table.get("spot", "")).strip("/")
        if said in self.spots:
            return said
        try:
            return Places(tuple(self.spots.values())).find(said).id
        except NotFoundError:
            pass
        self.fault(f"{path}spot", said or None, f"one place of the farm, like {next(iter(self.spots), 'cellar')}")
        return said

    def trays(self, document: Mapping[str, Any]) -> dict[str, TrayKind]:
        """Return the tray kinds; a farm that names none uses the nominal one."""
        kinds: dict[str, TrayKind] = {}
        for table, path in self.tables(document, "tray"):
            kind = self.id_of(table, path, kinds)
            kinds[kind] = TrayKind(
                id=kind,
                length_mm=self.number_or(table, "length_mm", path, 508.0, 20, 3000),
                width_mm=self.number_or(table, "width_mm", path, 254.0, 20, 3000),
                medium=self.text_or(table, "medium", path, "coir"),
                medium_depth_mm=self.number_or(table, "medium_depth_mm", path, None, 1, 200),
            )
        return kinds or {"1020": TrayKind(id="1020")}

    def sensors(self, document: Mapping[str, Any]) -> dict[str, Sensor]:
        """Return the sensors by id."""
        sensors: dict[str, Sensor] = {}
        for table, path in self.tables(document, "sensor"):
            sensor = self.sensor(table, path, sensors)
            sensors[sensor.id] = sensor
        return sensors

    def sensor(self, table: Mapping[str, Any], path: str, taken: Mapping[str, Sensor]) -> Sensor:
        """Return one sensor."""
        quantity = Quantity(self.one_of(table, "quantity", path, tuple(each.value for each in Quantity), None))
        unit = self.text_or(table, "unit", path, None)
        try:
            factor_and_offset(unit, quantity)
        except UnitError as exc:
            self.fault(f"{path}unit", unit, str(exc))
        for key in ("pointer", "time_pointer"):
            if key in table and not str(table[key]).startswith("/"):
                self.fault(f"{path}{key}", table[key], "a pointer begins with a slash, like /air/temp (RFC 6901)")
        dry, full = (self.number_or(table, key, path, None, 0, 500_000) for key in ("dry_g", "full_g"))
        if (dry is None) != (full is None) or (dry is not None and full is not None and dry >= full):
            self.fault(f"{path}full_g", table.get("full_g"), "dry_g and full_g together, dry_g the smaller")
        under_cover = self.flag_or(table, "under_cover", path, False)
        if under_cover and quantity is Quantity.WEIGHT:
            self.fault(f"{path}under_cover", True, "a load cell lies under a tray, never under its cover")
        topic = self.text_or(table, "topic", path, None)
        if topic is not None and ("#" in topic[:-1] or "//" in topic or topic.endswith("/")):
            self.fault(f"{path}topic", topic, "an MQTT topic like cellar/node1; # only as its last level")
        return Sensor(
            id=self.id_of(table, path, taken),
            quantity=quantity,
            spot=self.spot_at(table, path),
            topic=topic,
            record=self.text_or(table, "record", path, None),
            pointer=self.text_or(table, "pointer", path, None),
            time_pointer=self.text_or(table, "time_pointer", path, None),
            unit=unit,
            under_cover=under_cover,
            usual_interval=self.interval(table, path),
            dry_g=dry,
            full_g=full,
            time_zone=self.zone_at(table, "time_zone", path).key if "time_zone" in table else None,
        )

    def channels(self, document: Mapping[str, Any]) -> dict[str, ChannelSettings]:
        """Return the channels by id; a farm that names none has its console."""
        channels: dict[str, ChannelSettings] = {}
        for table, path in self.tables(document, "channel"):
            name = self.id_of(table, path, channels)
            kind = self.one_of(table, "kind", path, ("console", "jsonl", "mqtt", "apprise"), None)
            if kind == "apprise" and ("url_file" in table) == ("url_env" in table):
                self.fault(f"{path}url_file", None, "url_file or url_env: where the Apprise address is")
            channels[name] = ChannelSettings(
                id=name,
                kind=kind,  # type: ignore[arg-type] # one_of has checked it
                path=self.path_or(table, "path", path),
                topic=self.text_or(table, "topic", path, None),
                url_file=self.path_or(table, "url_file", path),
                url_env=self.text_or(table, "url_env", path, None),
            )
        return channels or {"console": ChannelSettings(id="console", kind="console")}

    def people(self, document: Mapping[str, Any], channels: Mapping[str, ChannelSettings]) -> dict[str, Person]:
        """Return the people by id; one at least."""
        people: dict[str, Person] = {}
        for table, path in self.tables(document, "person"):
            name = self.id_of(table, path, people)
            reached = table.get("channels")
            if not isinstance(reached, list) or not reached or any(each not in channels for each in reached):
                self.fault(f"{path}channels", reached, f"a list of channels: {', '.join(channels)}")
                reached = []
            quiet = self.hours(table, "quiet", path)
            people[name] = Person(
                id=name,
                channels=tuple(str(each) for each in reached),
                days=self.weekdays(table, "days", path, WEEKDAYS),
                quiet=None if quiet is None else QuietHours(start=quiet[0], end=quiet[1]),
            )
        if not people:
            self.fault("person", None, "one [[person]] at least, who walks the racks")
        return people

    def broker(self, document: Mapping[str, Any]) -> BrokerSettings:
        """Return which broker to listen to."""
        table = self.one(document, "broker")
        path = "broker."
        usual = BrokerSettings()
        embedded = self.flag_or(table, "embedded", path, "host" not in table)
        return BrokerSettings(
            embedded=embedded,
            host=self.text_or(table, "host", path, usual.host),
            port=int(self.number_or(table, "port", path, usual.port, 0 if embedded else 1, 65535)),
            user=self.text_or(table, "user", path, None),
            password_file=self.path_or(table, "password_file", path),
            password_env=self.text_or(table, "password_env", path, None),
            tls=self.flag_or(table, "tls", path, False),
            ca_file=self.path_or(table, "ca_file", path),
            client_id=self.text_or(table, "client_id", path, usual.client_id),
            heartbeat_topic=self.text_or(table, "heartbeat_topic", path, usual.heartbeat_topic),
        )

    def storage(self, document: Mapping[str, Any]) -> StorageSettings:
        """Return where things are kept."""
        table = self.one(document, "storage")
        return StorageSettings(
            folder=self.path_or(table, "folder", "storage.") or self.folder / "data",
            ledger_copies=self.path_or(table, "ledger_copies", "storage."),
            keep_copies=int(self.number_or(table, "keep_copies", "storage.", 30, 1, 3650)),
            influx=self.influx(table),
        )

    def influx(self, storage: Mapping[str, Any]) -> InfluxSettings | None:
        """Return where the InfluxDB is, or None where readings are kept in SQLite."""
        if "influx" not in storage:
            return None
        path = "storage.influx."
        table = storage["influx"] if isinstance(storage["influx"], dict) else {}
        self.known(table, keys_of("storage.influx"), path)
        return InfluxSettings(
            url=self.text_at(table, "url", path),
            database=self.text_at(table, "database", path),
            retention_policy=self.text_or(table, "retention_policy", path, "autogen"),
            token_file=self.path_or(table, "token_file", path),
            token_env=self.text_or(table, "token_env", path, None),
        )

    def farm(self, document: Mapping[str, Any]) -> Farm:
        """Return the whole farm; what is wrong stands in ``faults``."""
        self.known(document, {key.table.split(".")[0] for key in KEYS}, "")
        table = self.one(document, "farm")
        places = self.places(document)
        channels = self.channels(document)
        return Farm(
            name=self.text_at(table, "name", "farm."),
            zone=self.zone_at(table, "time_zone", "farm."),
            places=places,
            tray_kinds=self.trays(document),
            people=self.people(document, channels),
            channels=channels,
            rounds=self.rounds(table),
            storage=self.storage(document),
            sensors=self.sensors(document),
            units="US" if self.one_of(table, "units", "farm.", ("metric", "US"), "metric") == "US" else "metric",
            broker=self.broker(document),
            records_from=self.records_from(table),
            profile_folder=self.path_or(table, "profiles", "farm."),
            loss_trays_pct=self.number_or(table, "loss_percent", "farm.", 0.0, 0, 90),
            delivery_days=self.weekdays(table, "delivery_days", "farm.", ()),
        )


def parse_farm(text: str, *, file: str, folder: Path) -> Farm:
    """Return the farm that a TOML text describes.

    Args:
        text: The file's text.
        file: Its name, for messages.
        folder: Folder that paths in it start from.

    Raises:
        ConfigError: It has faults; carries every one.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError([syntax_fault(exc, file)]) from exc
    reader = _FarmReader(text, file, folder)
    farm = reader.farm(document)
    if reader.faults:
        raise ConfigError(sorted(reader.faults, key=lambda fault: fault.line or 0))
    return farm


def load_farm(path: Path, read: Callable[[Path], str] = lambda path: path.read_text(encoding="utf-8")) -> Farm:
    """Return the farm of a file; paths in it start from its folder.

    Raises:
        ConfigError: It cannot be read, or has faults; carries every one.
    """
    try:
        text = read(path)
    except (OSError, UnicodeDecodeError) as exc:
        fault = Fault(file=path.name, line=None, key="file", found=str(exc), allowed="a readable UTF-8 file")
        raise ConfigError([fault]) from exc
    return parse_farm(text, file=path.name, folder=path.resolve().parent)
