"""What farm.toml says, as values; monitor/farmfile.py reads the file, this module knows no file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.feeds import Feeds
from monitor.people import Person
from monitor.places import Places
from monitor.readings import Quantity

NOMINAL_TRAY_AREA_M2 = 0.254 * 0.508
"""A 10 x 20 inch tray, exact from 1 in = 25.4 mm; profiles give grams for this area. [m2]"""
USUAL_PILE = 5
"""How many trays a pile is stacked to where nobody said. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayKind:
    """A tray size and medium that the farm uses; sowing and water limits scale by its area.

    Attributes:
        id: Short name, e.g. ``1020``.
        length_mm: Inside length. [mm]
        width_mm: Inside width. [mm]
        medium: What it is filled with, e.g. ``coir``.
        medium_depth_mm: How deep; None: not said. [mm]
        owned: How many of them the farm has; None: not said.
    """

    id: str
    length_mm: float = 508.0
    width_mm: float = 254.0
    medium: str = "coir"
    medium_depth_mm: float | None = None
    owned: int | None = None

    @property
    def area_m2(self) -> float:
        """Return the sown area in m2."""
        return self.length_mm * self.width_mm / 1e6

    @property
    def scale(self) -> float:
        """Return the area as a share of the nominal tray's."""
        return self.area_m2 / NOMINAL_TRAY_AREA_M2


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One measured series, and how its readings are told from others.

    Attributes:
        id: The name under which readings are kept.
        quantity: What it measures.
        spot: Id of the place whose conditions it measures.
        topic: MQTT topic filter (``+`` and ``#`` allowed); None: fed by hand or by files only.
        record: SenML name that its records carry (the whole resolved name, or its end after ``:`` or ``/``);
            None: the pack has one value of this quantity, or the payload is no SenML.
        pointer: RFC 6901 pointer to the value in a JSON object; None: SenML or a plain number.
        time_pointer: RFC 6901 pointer to the time in a JSON object, or None.
        unit: Unit of the payload where the payload names none; None: the stored unit.
        under_cover: It sits under the cover with the trays and speaks for covered ones only.
        usual_interval: How often it speaks; None: learned.
        dry_g: Weight at which plants limp, for a tray's load cell. [g]
        full_g: Weight just drained after watering. [g]
        carries_g: What the load cell can carry; None: not said. [g]
        trays_on_it: How many trays stand on the load cell side by side. [-]
        time_zone: Zone of a device that sends local times without offset; None: such times are refused.
        lamp_kind: Light sensor: what shines on it, a name of monitor/light.py; None: not said.
        lux_per_umol: Light sensor: lux for each umol m-2 s-1, measured once; None: by lamp_kind. [lx per umol m-2 s-1]
    """

    id: str
    quantity: Quantity
    spot: str
    topic: str | None = None
    record: str | None = None
    pointer: str | None = None
    time_pointer: str | None = None
    unit: str | None = None
    under_cover: bool = False
    usual_interval: timedelta | None = None
    dry_g: float | None = None
    full_g: float | None = None
    carries_g: float | None = None
    trays_on_it: int = 1
    time_zone: str | None = None
    lamp_kind: str | None = None
    lux_per_umol: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """One way to reach a person.

    Attributes:
        id: Name that people refer to.
        kind: ``console``, ``jsonl``, ``mqtt`` or ``apprise``.
        path: File, for jsonl.
        topic: Topic, for mqtt.
        url_file: File that holds the Apprise address (it often holds a password), for apprise.
        url_env: Environment variable that holds it, for apprise.
        pictures: Whether alarms go out with a picture, for apprise; None: where the address is one for mail.
    """

    id: str
    kind: Literal["console", "jsonl", "mqtt", "apprise"]
    path: Path | None = None
    topic: str | None = None
    url_file: Path | None = None
    url_env: str | None = None
    pictures: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Which MQTT broker to listen to.

    Attributes:
        embedded: Start the broker that comes with the package.
        host: Address, where it is not embedded.
        port: TCP port; embedded: 0 takes a free one.
        user: User name, or None.
        password_file: File with the password, or None.
        password_env: Environment variable with the password, or None.
        tls: Speak TLS.
        ca_file: Certificate authority to trust; None: the system's.
        client_id: Fixed client id, so that the broker keeps what came while the service was down.
        heartbeat_topic: Where the monitor's own heartbeat and last will go.
    """

    embedded: bool = True
    host: str = "127.0.0.1"
    port: int = 1883
    user: str | None = None
    password_file: Path | None = None
    password_env: str | None = None
    tls: bool = False
    ca_file: Path | None = None
    client_id: str = "traywarden-monitor"
    heartbeat_topic: str = "traywarden/monitor"


@dataclass(frozen=True, slots=True, kw_only=True)
class PingSettings:
    """Where a sign that all is well goes, so that somebody outside notices a dead monitor.

    Attributes:
        every: At which interval.
        topic: MQTT topic, or None.
        url_file: File that holds an address to ask for (it often holds a secret), or None.
        url_env: Environment variable that holds it, or None.
    """

    every: timedelta = timedelta(minutes=5)
    topic: str | None = None
    url_file: Path | None = None
    url_env: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PagesSettings:
    """Where the pages are served, and how people reach them.

    Attributes:
        serve: `traywarden run` serves the pages too.
        address: IP address to listen on; a loopback one is open to everybody at this machine.
        port: TCP port; 0 takes a free one.
        cert_file: Certificate chain (PEM) for HTTPS, or None.
        key_file: Its private key (PEM), or None.
        behind_proxy: A proxy on this machine or network hands requests on, and speaks HTTPS with people.
        url: The address under which people reach the pages, for links in nudges and labels; None: none are made.
        names: Further host names under which the pages may be asked for.
    """

    serve: bool = True
    address: str = "127.0.0.1"
    port: int = 8467
    cert_file: Path | None = None
    key_file: Path | None = None
    behind_proxy: bool = False
    url: str | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """Where the InfluxDB is, for farms that keep readings there; the token never stands in farm.toml.

    Attributes:
        url: Its address.
        database: Its database.
        retention_policy: Its retention policy.
        token_file: File with its token, or None.
        token_env: Environment variable with its token, or None.
        spool_mb: How large the queue on disk before it may grow. [MB]
    """

    url: str
    database: str
    retention_policy: str = "autogen"
    token_file: Path | None = None
    token_env: str | None = None
    spool_mb: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class PostgresSettings:
    """Where the PostgreSQL is, for farms whose ledger several machines share; the password never stands in farm.toml.

    Attributes:
        address: ``postgresql://user@host:port/database``, without a password.
        password_file: File with the password; None: as the server's own rules or the user's .pgpass have it.
        password_env: Environment variable with it.
    """

    address: str
    password_file: Path | None = None
    password_env: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageSettings:
    """Where things are kept.

    Attributes:
        folder: Folder of ledger.db and readings.db.
        ledger_copies: Folder of the nightly copies of the ledger; None: none are made.
        keep_copies: How many nightly copies are kept.
        influx: Keep readings in InfluxDB instead of SQLite.
        postgres: Keep the ledger in PostgreSQL instead of SQLite.
        compact_after: Readings older than this are compacted.
        keep_raw: Readings older than this are let go, by whole months; None: never.
    """

    folder: Path
    ledger_copies: Path | None = None
    keep_copies: int = 30
    influx: InfluxSettings | None = None
    postgres: PostgresSettings | None = None
    compact_after: timedelta = timedelta(days=3)
    keep_raw: timedelta | None = None

    @property
    def is_shared(self) -> bool:
        """Tell whether several processes can share readings and ledger."""
        return self.influx is not None and self.postgres is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Farm:
    """A farm as its owner wrote it down.

    Attributes:
        name: What the farm is called.
        zone: Local time zone.
        places: All spots in walking order.
        tray_kinds: By id; the first is the usual one.
        sensors: By id; may be empty, and then no word is ever said about sensors.
        people: By id; the first is who is asked where nobody is on duty.
        channels: By id.
        rounds: Local times at which the racks are walked, ascending.
        units: What a person is shown: metric or US.
        broker: MQTT broker.
        storage: Folders.
        records_from: Device times before this are taken for a wrong clock.
        profile_folder: Folder of the farm's own crop profiles, or None.
        loss_trays_pct: Share of trays that the farm usually loses. [%]
        delivery_days: Weekdays on which the farm usually delivers.
        ping: Where a sign that all is well goes; None: nowhere.
        feeds: Collectors beside MQTT.
        trays_in_pile: How many trays one pile is stacked to.
        concentrate_ml_per_l: What the label of the farm's own plant food says for a litre; None: none is used. [ml/l]
        pages: Where the pages are served.
    """

    name: str
    zone: ZoneInfo
    places: Places
    tray_kinds: Mapping[str, TrayKind]
    people: Mapping[str, Person]
    channels: Mapping[str, ChannelSettings]
    rounds: tuple[time, ...]
    storage: StorageSettings
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    units: Literal["metric", "US"] = "metric"
    broker: BrokerSettings = field(default_factory=BrokerSettings)
    records_from: datetime = datetime(2020, 1, 1, tzinfo=UTC)
    profile_folder: Path | None = None
    loss_trays_pct: float = 0.0
    delivery_days: frozenset[str] = frozenset()
    trays_in_pile: int = USUAL_PILE
    concentrate_ml_per_l: float | None = None
    ping: PingSettings | None = None
    feeds: Feeds = field(default_factory=Feeds)
    pages: PagesSettings = field(default_factory=PagesSettings)

    def tray_size(self, kind: str | None) -> float:
        """Return a tray kind's area as a share of the nominal tray's; 1 where nobody said which."""
        found = self.tray_kinds.get(kind or "")
        return found.scale if found else 1.0
