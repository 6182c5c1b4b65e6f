"""farm.toml as a Farm; every fault is reported at once, with line and key. monitor/keys.py lists the keys."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Literal, cast
from urllib.parse import urlsplit

from monitor.errors import ConfigError, Fault, UnitError
from monitor.farm import (
    USUAL_PILE,
    BrokerSettings,
    ChannelSettings,
    Farm,
    InfluxSettings,
    PagesSettings,
    PingSettings,
    PostgresSettings,
    Sensor,
    StorageSettings,
    TrayKind,
)
from monitor.farmfeeds import FeedReader
from monitor.farmplaces import PlaceReader
from monitor.keys import KEYS, keys_of
from monitor.light import LUX_PER_UMOL
from monitor.people import WEEKDAYS, Person, QuietHours
from monitor.readings import Quantity
from monitor.tomlfaults import syntax_fault
from monitor.units import factor_and_offset

_OF_KIND: dict[str, set[str]] = {
    "console": set(),
    "jsonl": {"path"},
    "mqtt": {"topic"},
    "apprise": {"url_file", "url_env", "pictures"},
}
_OF_OWN_BROKER = ("host", "user", "password_file", "password_env", "tls", "ca_file")


class _FarmReader(PlaceReader, FeedReader):
    """Reads farm.toml table by table, and collects what is wrong with it."""

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
                owned=self.count_or(table, "owned", path, None, 1, 10_000),
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
        dry, full = self.weights(table, path, quantity)
        under_cover = self.flag_or(table, "under_cover", path, False)
        if under_cover and quantity is Quantity.WEIGHT:
            self.fault(f"{path}under_cover", True, "a load cell lies under a tray, never under its cover")
        return Sensor(
            id=self.id_of(table, path, taken),
            quantity=quantity,
            spot=self.spot_at(table, path),
            topic=self.filter_or_none(table, "topic", path),
            record=self.text_or(table, "record", path, None),
            pointer=self.pointer(table, "pointer", path, excludes="record"),
            time_pointer=self.pointer(table, "time_pointer", path, needs="pointer"),
            unit=self.unit(table, path, quantity),
            under_cover=under_cover,
            usual_interval=self.interval(table, path),
            dry_g=dry,
            full_g=full,
            carries_g=self.of_cell(table, "carries_g", path, quantity, None, 100, 1_000_000),
            trays_on_it=round(self.of_cell(table, "trays_on_it", path, quantity, 1.0, 1, 60) or 1),
            time_zone=self.zone_at(table, "time_zone", path).key if "time_zone" in table else None,
            lamp_kind=self.lamp_kind(table, path, quantity),
            lux_per_umol=self.lux_per_umol(table, path, quantity),
        )

    def unit(self, table: Mapping[str, Any], path: str, quantity: Quantity) -> str | None:
        """Return the unit of a sensor's values, which must be one of its quantity; None where none is given."""
        unit = self.text_or(table, "unit", path, None)
        if unit and not self.has_fault(f"{path}quantity"):
            try:
                factor_and_offset(unit, quantity)
            except UnitError as exc:
                self.fault(f"{path}unit", unit, str(exc))
        return unit

    def weights(self, table: Mapping[str, Any], path: str, quantity: Quantity) -> tuple[float | None, float | None]:
        """Return a load cell's weights, dry and full: both or none, and of a load cell only."""
        dry, full = (self.number_or(table, key, path, None, 0, 500_000) for key in ("dry_g", "full_g"))
        given = "dry_g" if "dry_g" in table else "full_g"
        if given in table and quantity is not Quantity.WEIGHT and not self.has_fault(f"{path}quantity"):
            self.fault(f"{path}{given}", table[given], 'only a load cell has it, with quantity = "weight"')
        elif (dry is None) != (full is None) or (dry is not None and full is not None and dry >= full):
            self.fault(f"{path}full_g", table.get("full_g"), "dry_g and full_g together, dry_g the smaller")
        return dry, full

    def lamp_kind(self, table: Mapping[str, Any], path: str, quantity: Quantity) -> str | None:
        """Return what shines on a light sensor, or None where nobody said."""
        if "lamp_kind" not in table:
            return None
        if quantity is not Quantity.LIGHT and not self.has_fault(f"{path}quantity"):
            self.fault(f"{path}lamp_kind", table["lamp_kind"], 'it goes with quantity = "light"')
        return self.one_of(table, "lamp_kind", path, tuple(LUX_PER_UMOL), None)

    def lux_per_umol(self, table: Mapping[str, Any], path: str, quantity: Quantity) -> float | None:
        """Return a light sensor's own factor, or None."""
        if "lux_per_umol" in table and quantity is not Quantity.LIGHT and not self.has_fault(f"{path}quantity"):
            self.fault(f"{path}lux_per_umol", table["lux_per_umol"], 'it goes with quantity = "light"')
        return self.number_or(table, "lux_per_umol", path, None, 10, 200)

    def of_cell(
        self,
        table: Mapping[str, Any],
        key: str,
        path: str,
        quantity: Quantity,
        default: float | None,
        low: float,
        high: float,
    ) -> float | None:
        """Return a number that only a load cell has."""
        if key in table and quantity is not Quantity.WEIGHT and not self.has_fault(f"{path}quantity"):
            self.fault(f"{path}{key}", table[key], 'only a load cell has it, with quantity = "weight"')
        return self.number_or(table, key, path, default, low, high)

    def pointer(
        self, table: Mapping[str, Any], key: str, path: str, *, needs: str = "", excludes: str = ""
    ) -> str | None:
        """Return a JSON pointer, or None where there is none. Source: [RFC6901] section 3."""
        said = self.text_or(table, key, path, None)
        if said and (not said.startswith("/") or re.search("~(?![01])", said)):
            self.fault(f"{path}{key}", said, "a pointer begins with a slash, like /air/temp; ~ is ~0 in it (RFC 6901)")
        if said and needs and needs not in table:
            self.fault(f"{path}{key}", said, f"it goes with {needs}; a SenML pack has times of its own")
        if said and excludes in table:
            self.fault(f"{path}{key}", said, f"{excludes} is for SenML packs, {key} for JSON objects; only one of them")
        return said

    def channels(self, document: Mapping[str, Any]) -> dict[str, ChannelSettings]:
        """Return the channels by id; a farm that names none has its console."""
        channels: dict[str, ChannelSettings] = {}
        for table, path in self.tables(document, "channel"):
            name = self.id_of(table, path, channels)
            channels[name] = self.channel(table, path, name)
        return channels or {"console": ChannelSettings(id="console", kind="console")}

    def channel(self, table: Mapping[str, Any], path: str, name: str) -> ChannelSettings:
        """Return one channel, with what its kind needs and nothing else."""
        kind = self.one_of(table, "kind", path, tuple(_OF_KIND), None)
        if not self.has_fault(f"{path}kind"):
            self.one_source(table, path, "url")
            for key in keys_of("channel") - {"id", "kind"} - _OF_KIND[kind]:
                if key in table:
                    owner = next(each for each, known in _OF_KIND.items() if key in known)
                    self.fault(f"{path}{key}", "a key of another kind", f'it goes with kind = "{owner}"')
            if kind == "apprise" and not {"url_file", "url_env"} & set(table):
                self.fault(f"{path}url_file", None, "url_file or url_env: where the Apprise address is")
        return ChannelSettings(
            id=name,
            kind=cast('Literal["console", "jsonl", "mqtt", "apprise"]', kind),  # one_of has checked it
            path=self.path_or(table, "path", path) or (self.folder / "nudges.jsonl" if kind == "jsonl" else None),
            topic=self.topic_or(table, "topic", path, "traywarden/nudges" if kind == "mqtt" else None),
            url_file=self.path_or(table, "url_file", path),
            url_env=self.text_or(table, "url_env", path, None),
            pictures=self.flag_or(table, "pictures", path, False) if "pictures" in table else None,
        )

    def people(self, document: Mapping[str, Any], channels: Mapping[str, ChannelSettings]) -> dict[str, Person]:
        """Return the people by id; one at least."""
        people: dict[str, Person] = {}
        for table, path in self.tables(document, "person"):
            name = self.id_of(table, path, people)
            days = self.weekdays(table, "days", path, WEEKDAYS)
            if not days:
                self.fault(f"{path}days", table["days"], f"one day on duty at least, of {', '.join(WEEKDAYS)}")
            people[name] = Person(
                id=name,
                channels=self.reached_by(table, path, channels),
                days=days,
                quiet=self.quiet(table, path),
            )
        if not people:
            self.fault("person", None, "one [[person]] at least, who walks the racks")
        return people

    def reached_by(
        self, table: Mapping[str, Any], path: str, channels: Mapping[str, ChannelSettings]
    ) -> tuple[str, ...]:
        """Return the channels that reach a person; each must be there."""
        said = table.get("channels")
        if not isinstance(said, list) or not said or any(str(each) not in channels for each in said):
            self.fault(f"{path}channels", said, f"a list of channels: {', '.join(channels)}")
            return ()
        return tuple(dict.fromkeys(str(each) for each in said))

    def quiet(self, table: Mapping[str, Any], path: str) -> QuietHours | None:
        """Return a person's quiet hours, or None; they leave some of the day."""
        hours = self.hours(table, "quiet", path)
        if hours is None:
            return None
        if hours[0] == hours[1]:
            self.fault(f"{path}quiet", table["quiet"], "quiet hours that leave some of the day, like 21:00-06:30")
        return QuietHours(start=hours[0], end=hours[1])

    def broker(self, document: Mapping[str, Any]) -> BrokerSettings:
        """Return which broker to listen to."""
        table = self.one(document, "broker")
        path = "broker."
        usual = BrokerSettings()
        embedded = self.flag_or(table, "embedded", path, "host" not in table)
        theirs = [key for key in _OF_OWN_BROKER if table.get(key, False) is not False]
        if embedded and theirs:
            self.fault("broker.embedded", table.get("embedded"), f"false; {', '.join(theirs)} go with your own broker")
        self.one_source(table, path, "password")
        return BrokerSettings(
            embedded=embedded,
            host=self.text_or(table, "host", path, usual.host),
            port=self.count_or(table, "port", path, usual.port, 0 if embedded else 1, 65535),
            user=self.text_or(table, "user", path, None),
            password_file=self.path_or(table, "password_file", path),
            password_env=self.text_or(table, "password_env", path, None),
            tls=self.flag_or(table, "tls", path, False),
            ca_file=self.path_or(table, "ca_file", path),
            client_id=self.text_or(table, "client_id", path, usual.client_id),
            heartbeat_topic=self.topic_or(table, "heartbeat_topic", path, usual.heartbeat_topic),
        )

    def ping(self, document: Mapping[str, Any]) -> PingSettings | None:
        """Return where a sign that all is well goes, or None where nobody asked for one."""
        if "ping" not in document:
            return None
        table = self.one(document, "ping")
        self.one_source(table, "ping.", "url")
        if not {"topic", "url_file", "url_env"} & set(table):
            self.fault("ping.url_file", None, "url_file, url_env or topic: where the sign goes")
        return PingSettings(
            every=timedelta(minutes=self.count_or(table, "every_minutes", "ping.", 5, 1, 1440)),
            topic=self.topic_or(table, "topic", "ping.", None),
            url_file=self.path_or(table, "url_file", "ping."),
            url_env=self.text_or(table, "url_env", "ping.", None),
        )

    def pages(self, document: Mapping[str, Any]) -> PagesSettings:
        """Return where the pages are served."""
        table, path, usual = self.one(document, "pages"), "pages.", PagesSettings()
        address = self.text_or(table, "address", path, usual.address)
        try:
            ip_address(address)
        except ValueError:
            self.fault("pages.address", address, "an IP address like 127.0.0.1, 192.168.1.20 or 0.0.0.0 (all)")
        if ("cert_file" in table) != ("key_file" in table):
            given = "cert_file" if "cert_file" in table else "key_file"
            self.fault(f"pages.{given}", table[given], "cert_file and key_file together")
        url = self.text_or(table, "url", path, None)
        if url is not None and not re.fullmatch(r"https?://[^/\s@]+/?", url):
            self.fault("pages.url", url, "an address like https://farm.example, without a path")
        names = table.get("names", [])
        if not isinstance(names, list) or not all(isinstance(each, str) and each for each in names):
            self.fault("pages.names", names, 'a list of host names like ["shed.local"]')
            names = []
        return PagesSettings(
            serve=self.flag_or(table, "serve", path, usual.serve),
            address=address,
            port=self.count_or(table, "port", path, usual.port, 0, 65535),
            cert_file=self.path_or(table, "cert_file", path),
            key_file=self.path_or(table, "key_file", path),
            behind_proxy=self.flag_or(table, "behind_proxy", path, usual.behind_proxy),
            url=None if url is None else url.rstrip("/"),
            names=tuple(names),
        )

    def storage(self, document: Mapping[str, Any]) -> StorageSettings:
        """Return where things are kept."""
        table = self.one(document, "storage")
        return StorageSettings(
            folder=self.path_or(table, "folder", "storage.") or self.folder / "data",
            ledger_copies=self.path_or(table, "ledger_copies", "storage."),
            keep_copies=self.count_or(table, "keep_copies", "storage.", 30, 1, 3650),
            influx=self.influx(table) if "influx" in table else None,
            postgres=self.postgres(table) if "postgresql" in table else None,
            compact_after=timedelta(days=self.count_or(table, "compact_after_days", "storage.", 3, 1, 3650)),
            keep_raw=self.keep_raw(table),
        )

    def postgres(self, storage: Mapping[str, Any]) -> PostgresSettings:
        """Return where the PostgreSQL is in which the ledger is kept."""
        path = "storage.postgresql."
        table = self.one(storage, "postgresql", "storage.")
        address = self.text_at(table, "address", path)
        try:
            parts = urlsplit(address)
            has_port = parts.port is None or parts.port > 0
        except ValueError:
            parts, has_port = urlsplit(""), False
        if parts.password:
            self.fault(f"{path}address", "an address with a password in it", "the address alone; see password_file")
        elif parts.scheme != "postgresql" or not has_port or not parts.path.strip("/"):
            self.fault(
                f"{path}address", address or None, "an address like postgresql://traywarden@127.0.0.1:5432/traywarden"
            )
        self.one_source(table, path, "password")
        return PostgresSettings(
            address=address,
            password_file=self.path_or(table, "password_file", path),
            password_env=self.text_or(table, "password_env", path, None),
        )

    def keep_raw(self, table: Mapping[str, Any]) -> timedelta | None:
        """Return how long readings are kept, or None for ever."""
        if "keep_raw_days" not in table:
            return None
        return timedelta(days=self.count_or(table, "keep_raw_days", "storage.", 400, 62, 36_500))

    def influx(self, storage: Mapping[str, Any]) -> InfluxSettings:
        """Return where the InfluxDB is in which readings are kept."""
        path = "storage.influx."
        table = self.one(storage, "influx", "storage.")
        url = self.text_at(table, "url", path)
        try:
            parts = urlsplit(url)
        except ValueError:
            parts = urlsplit("")
        if parts.username or parts.password:
            self.fault(f"{path}url", "an address with a secret in it", "the address alone; the token has its own file")
        if parts.scheme not in ("http", "https") or not parts.hostname:
            self.fault(f"{path}url", url or None, "an address like http://127.0.0.1:8086")
        self.one_source(table, path, "token")
        return InfluxSettings(
            url=url,
            database=self.text_at(table, "database", path),
            retention_policy=self.text_or(table, "retention_policy", path, "autogen"),
            token_file=self.path_or(table, "token_file", path),
            token_env=self.text_or(table, "token_env", path, None),
            spool_mb=self.count_or(table, "spool_mb", path, 1000, 1, 10_000_000),
        )

    def farm(self, document: Mapping[str, Any]) -> Farm:
        """Return the whole farm; what is wrong stands in ``faults``."""
        self.known(document, {key.table.split(".")[0] for key in KEYS}, "")
        table = self.one(document, "farm")
        places = self.places(document)
        channels = self.channels(document)
        sensors = self.sensors(document)
        return Farm(
            name=self.text_at(table, "name", "farm."),
            zone=self.zone_at(table, "time_zone", "farm."),
            places=places,
            tray_kinds=self.trays(document),
            people=self.people(document, channels),
            channels=channels,
            rounds=self.rounds(table),
            storage=self.storage(document),
            sensors=sensors,
            feeds=self.feeds(document, sensors),
            units="US" if self.one_of(table, "units", "farm.", ("metric", "US"), "metric") == "US" else "metric",
            broker=self.broker(document),
            ping=self.ping(document),
            pages=self.pages(document),
            records_from=self.records_from(table),
            profile_folder=self.path_or(table, "profiles", "farm."),
            loss_trays_pct=self.number_or(table, "loss_percent", "farm.", 0.0, 0, 90),
            delivery_days=self.weekdays(table, "delivery_days", "farm.", ()),
            trays_in_pile=self.count_or(table, "trays_in_pile", "farm.", USUAL_PILE, 1, 20),
            concentrate_ml_per_l=self.number_or(table, "concentrate_ml_per_l", "farm.", None, 0.1, 100),
        )


def read_farm(text: str, *, file: str, folder: Path) -> tuple[Farm | None, tuple[Fault, ...]]:
    """Return what can be made of a farm's text, and every fault in it, in file order.

    Args:
        text: The file's text.
        file: Its name, for messages.
        folder: Folder that paths in it start from.

    Returns:
        The farm, with something harmless in place of each fault, so that what depends on the rest can be looked
        over too; None where the text is no TOML at all. It is to be used only where there is no fault.
    """
    text = text.removeprefix("\ufeff")  # some editors put a byte order mark there
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        return None, (syntax_fault(exc, file, text),)
    reader = _FarmReader(text, file, folder)
    farm = reader.farm(document)
    return farm, tuple(sorted(reader.faults, key=lambda fault: fault.line or 0))


def parse_farm(text: str, *, file: str, folder: Path) -> Farm:
    """Return the farm that a TOML text describes; the arguments are those of read_farm.

    Raises:
        ConfigError: It has faults; carries every one.
    """
    farm, faults = read_farm(text, file=file, folder=folder)
    if farm is None or faults:
        raise ConfigError(faults)
    return farm


def farm_text_of(path: Path) -> str:
    """Return the text of a farm's file.

    Raises:
        ConfigError: It cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        fault = Fault(file=path.name, line=None, key="file", found=str(exc), allowed="a readable UTF-8 file")
        raise ConfigError([fault]) from exc


def load_farm(path: Path) -> Farm:
    """Return the farm of a file; paths in it start from its folder.

    Raises:
        ConfigError: It cannot be read, or has faults; carries every one.
    """
    return parse_farm(farm_text_of(path), file=path.name, folder=path.resolve().parent)
