"""Every key that farm.toml may hold, with what it means: read by the parser, by init and by `traywarden keys`."""

from __future__ import annotations

from typing import NamedTuple


class Key(NamedTuple):
    """One key: the table that holds it, its name, what stands there, what holds without it, what it means."""

    table: str
    name: str
    takes: str
    default: str
    means: str


SINGLE_TABLES = frozenset({"farm", "broker", "ping", "pages", "storage", "storage.influx", "storage.postgresql"})
"""Tables that stand once in a file, in single brackets; of any other there may be several, in double ones."""

LIMITS = "{ temperature = { low, high } }"

KEYS: tuple[Key, ...] = (
    Key("farm", "name", "text", "needed", "What the farm is called."),
    Key("farm", "time_zone", "zone like Europe/Lisbon", "needed", "The farm's time zone; days and rounds follow it."),
    Key(
        "farm",
        "units",
        "metric or US",
        "metric",
        "Units that people are shown; this file itself has °C, %RH, lx, mm and g.",
    ),
    Key(
        "farm", "rounds", 'times like ["07:30", "17:00"]', "needed", "When the racks are walked; tasks wait for these."
    ),
    Key("farm", "delivery_days", 'weekdays like ["tue", "fri"]', "none", "Days on which the farm usually delivers."),
    Key("farm", "records_from", "day like 2020-01-01", "2020-01-01", "Device times before it are a wrong clock."),
    Key("farm", "loss_percent", "0 to 90", "0", "Share of trays that the farm usually loses."),
    Key("farm", "trays_in_pile", "1 to 20", "5", "How many trays one pile is stacked to; a plan reckons with it."),
    Key("farm", "concentrate_ml_per_l", "0.1 to 100", "none", "Your plant food's own label: how much to a litre."),
    Key("farm", "profiles", "folder", "none", "Folder of your own crop profiles (*.toml)."),
    Key("room", "id", "short name", "needed", "Name of the room in places like cellar/1/2."),
    Key("room", "name", "text", "the id", "What you call the room."),
    Key("room", "lamp", "hours like 06:00-22:00", "none", "Lamp hours of all racks in the room; may pass midnight."),
    Key("room", "limits", LIMITS, "none", "Limits that hold with or without trays."),
    Key("rack", "id", "short name", "needed", "Name of the rack, often its number."),
    Key("rack", "room", "a room's id", "needed", "The room that it stands in."),
    Key("rack", "name", "text", "rack and the id", "What you call the rack."),
    Key("rack", "shelves", "1 to 20", "needed", "How many shelves; 1 is the one you come to first."),
    Key("rack", "trays_per_shelf", "1 to 60", "4", "How many trays a shelf holds; places are numbered from 1."),
    Key("rack", "lamp", "hours like 06:00-22:00", "the room's", "Lamp hours of the rack."),
    Key("rack", "limits", LIMITS, "none", "Limits of the rack."),
    Key("shelf", "rack", "rack like 1 or cellar/1", "needed", "The rack whose shelf differs."),
    Key("shelf", "number", "a shelf's number", "needed", "Which shelf differs from the others."),
    Key("shelf", "lamp", "hours like 06:00-22:00", "the rack's", "Lamp hours of this shelf."),
    Key("shelf", "trays", "1 to 60", "the rack's", "How many trays this shelf holds."),
    Key("shelf", "limits", LIMITS, "none", "Limits of this shelf."),
    Key("place", "id", "short name", "needed", "A cold store, a seed cupboard or another place without racks."),
    Key("place", "name", "text", "the id", "What you call it."),
    Key("place", "kind", "cold store, seed cupboard, other", "other", "What sort of place it is."),
    Key("place", "limits", LIMITS, "none", "Its limits, e.g. limits = { temperature = { high = 5 } }."),
    Key("tray", "id", "short name", "needed", "Name of a tray size; the first is the usual one."),
    Key("tray", "length_mm", "millimetres", "508", "Inside length."),
    Key("tray", "width_mm", "millimetres", "254", "Inside width."),
    Key("tray", "medium", "text", "coir", "What it is filled with."),
    Key("tray", "medium_depth_mm", "millimetres", "none", "How deep."),
    Key("tray", "owned", "1 to 10000", "none", "How many of them you have; a plan says when they run short."),
    Key("sensor", "id", "short name", "needed", "Name under which readings are kept; never change it."),
    Key("sensor", "quantity", "temperature, humidity, light, ppfd, weight, battery", "needed", "What it measures."),
    Key("sensor", "spot", "a place", "needed", "Where it measures, e.g. cellar/1/2."),
    Key("sensor", "topic", "MQTT topic, + and # allowed", "none", "Where it publishes; none: by hand or from files."),
    Key("sensor", "record", "SenML name or its end", "none", "Which record of a SenML pack is this sensor's."),
    Key("sensor", "pointer", "pointer like /air/temp", "none", "Where in a JSON object its value stands (RFC 6901)."),
    Key("sensor", "time_pointer", "pointer like /at", "none", "Where in a JSON object the time stands."),
    Key("sensor", "unit", "unit like degF", "the stored one", "Unit of its values where the payload names none."),
    Key("sensor", "under_cover", "true or false", "false", "It lies under the cover with the trays."),
    Key("sensor", "every", "span like 5m or 1h", "learned", "How often it usually speaks."),
    Key("sensor", "carries_g", "grams", "none", "Load cell: what it can carry."),
    Key("sensor", "trays_on_it", "1 to 60", "1", "Load cell: how many trays stand on it side by side."),
    Key("sensor", "dry_g", "grams", "none", "Load cell: weight at which plants limp."),
    Key("sensor", "full_g", "grams", "none", "Load cell: weight just drained after watering."),
    Key("sensor", "lamp_kind", "sun, metal halide ...", "none", "Light sensor: what shines, to reckon mol from lux."),
    Key("sensor", "lux_per_umol", "10 to 200", "by lamp_kind", "Light sensor: its own factor, from a quantum meter."),
    Key("sensor", "time_zone", "zone", "none", "Zone of a device that sends local times without offset."),
    Key("person", "id", "name or initials", "needed", "Who it is; entries keep it."),
    Key("person", "channels", "channel ids", "needed", "How the person is reached."),
    Key("person", "days", 'weekdays like ["mon", "tue"]', "all", "Days on duty."),
    Key("person", "quiet", "hours like 21:00-06:30", "none", "Hours in which only what is urgent is told."),
    Key("channel", "id", "short name", "needed", "Name that people refer to."),
    Key("channel", "kind", "console, jsonl, mqtt, apprise", "needed", "How messages go out."),
    Key("channel", "path", "file", "nudges.jsonl", "jsonl: the file that lines are added to."),
    Key("channel", "topic", "MQTT topic", "traywarden/nudges", "mqtt: where messages are published."),
    Key("channel", "url_file", "file", "none", "apprise: file that holds the address (e-mail, webhook ...)."),
    Key("channel", "url_env", "variable", "none", "apprise: environment variable that holds the address."),
    Key("channel", "pictures", "true or false", "true for mail", "apprise: urgent alarms carry a picture (PNG)."),
    Key("broker", "embedded", "true or false", "true without a host", "Start the broker that comes with the package."),
    Key("broker", "host", "address", "127.0.0.1", "Address of a broker of your own."),
    Key("broker", "port", "1 to 65535", "1883", "The broker's TCP port; 0 takes a free one for the embedded broker."),
    Key("broker", "user", "text", "none", "User name at the broker."),
    Key("broker", "password_file", "file", "none", "File with the password."),
    Key("broker", "password_env", "variable", "none", "Environment variable with the password."),
    Key("broker", "tls", "true or false", "false", "Speak TLS."),
    Key("broker", "ca_file", "file", "the system's", "Certificate authority to trust."),
    Key("broker", "client_id", "text", "traywarden-monitor", "Fixed, so that the broker keeps messages for us."),
    Key("broker", "heartbeat_topic", "MQTT topic", "traywarden/monitor", "The monitor's own heartbeat and last will."),
    Key("modbus", "id", "short name", "needed", "Name of a Modbus line."),
    Key("modbus", "host", "address", "host or serial", "Address of a Modbus TCP device or gateway."),
    Key("modbus", "port", "1 to 65535", "502", "Its TCP port."),
    Key("modbus", "serial", "device like /dev/ttyUSB0", "host or serial", "Serial line that speaks Modbus RTU."),
    Key("modbus", "baud", "1200 to 230400", "9600", "Speed of the serial line."),
    Key("modbus", "parity", "none, even, odd", "none", "Parity of the serial line."),
    Key("modbus", "stop_bits", "1 or 2", "1", "Stop bits of the serial line."),
    Key("modbus", "every", "span like 30s or 5m", "30s", "How often its registers are read."),
    Key("modbus", "answer_within_s", "0.1 to 60", "2", "How long an answer may take."),
    Key("register", "sensor", "a sensor's id", "needed", "The sensor that the register feeds."),
    Key("register", "line", "a Modbus line's id", "needed", "The line that the transmitter is on."),
    Key("register", "device", "0 to 247", "1", "The transmitter's unit id on that line."),
    Key("register", "table", "holding or input", "holding", "Which registers the manual names (function 3 or 4)."),
    Key("register", "address", "0 to 65535", "needed", "First register, counted from 0; manuals' 40001 is holding 0."),
    Key("register", "type", "int16, uint16, float32 ...", "int16", "How the bits are read; up to 64 of them."),
    Key("register", "word_order", "big or little", "big", "Which 16-bit word of a longer value comes first."),
    Key("register", "scale", "number", "1", "What the number read is multiplied by."),
    Key("register", "offset", "number", "0", "What is added then, in the sensor's unit."),
    Key("register", "missing", "numbers like [32768]", "none", "Numbers that mean no value, by the manual."),
    Key("folder", "id", "short name", "needed", "Name of a watched folder."),
    Key("folder", "path", "folder", "needed", "Folder into which a logger's CSV files are put."),
    Key("folder", "time", "column", "needed", "Column with the times."),
    Key("folder", "columns", 'list like ["Temp=air-1:degF"]', "needed", "Which column feeds which sensor."),
    Key("folder", "time_zone", "zone", "none", "Zone of times that have no offset."),
    Key("folder", "delimiter", "one character, or tab", "found out", "What parts the fields."),
    Key("folder", "decimal", ". or ,", "found out", "The decimal sign."),
    Key("folder", "time_format", "iso, unix, '%d.%m.%Y %H:%M'", "found out", "How times are written."),
    Key("folder", "encoding", "text encoding", "UTF-8", "How the text is coded, often cp1252."),
    Key("folder", "skip_lines", "0 to 10000", "0", "Lines before the header."),
    Key("folder", "settle_s", "1 to 86400", "30", "A file is read once nothing was written to it for so long."),
    Key("device", "id", "short name", "needed", "Name of a device that pushes; its topic is push/ and this."),
    Key("device", "token_file", "file", "file or env", "File with the device's token."),
    Key("device", "token_env", "variable", "file or env", "Environment variable with the device's token."),
    Key("device", "per_minute", "1 to 100000", "120", "How many requests a minute it may make."),
    Key("ping", "every_minutes", "1 to 1440", "5", "How often a sign that all is well goes out; none while it is not."),
    Key("ping", "topic", "MQTT topic", "none", "Where it is published."),
    Key("ping", "url_file", "file", "none", "File that holds a web address that is asked for."),
    Key("ping", "url_env", "variable", "none", "Environment variable that holds such an address."),
    Key("pages", "serve", "true or false", "true", "Whether `traywarden run` serves the pages."),
    Key("pages", "address", "IP address", "127.0.0.1", "Where they listen; any but 127.0.0.1 asks for a password."),
    Key("pages", "port", "0 to 65535", "8467", "Their TCP port; 0 takes a free one."),
    Key("pages", "cert_file", "file", "none", "Certificate chain (PEM) for HTTPS."),
    Key("pages", "key_file", "file", "none", "The certificate's private key (PEM)."),
    Key("pages", "behind_proxy", "true or false", "false", "A proxy of yours speaks HTTPS and hands requests on."),
    Key("pages", "url", "address like https://farm.example", "none", "How people reach them: links in nudges, labels."),
    Key("pages", "names", 'names like ["shed.local"]', "none", "Further host names under which they may be asked for."),
    Key("storage", "folder", "folder", "data", "Where ledger.db and readings.db are kept."),
    Key("storage", "ledger_copies", "folder", "none", "Where a nightly copy of the ledger goes; best on another disk."),
    Key("storage", "keep_copies", "1 to 3650", "30", "How many nightly copies are kept."),
    Key("storage", "compact_after_days", "1 to 3650", "3", "Readings older than this are packed into files, nightly."),
    Key(
        "storage", "keep_raw_days", "62 to 36500", "for ever", "Whole months older than this keep 5-minute values only."
    ),
    Key("storage.postgresql", "address", "address", "needed", "PostgreSQL for the ledger in place of SQLite."),
    Key("storage.postgresql", "password_file", "file", "none", "File with its password."),
    Key("storage.postgresql", "password_env", "variable", "none", "Environment variable with its password."),
    Key("storage.influx", "url", "http address", "needed", "InfluxDB for readings in place of SQLite."),
    Key("storage.influx", "database", "text", "needed", "Its database."),
    Key("storage.influx", "retention_policy", "text", "autogen", "Its retention policy."),
    Key("storage.influx", "token_file", "file", "none", "File with its token."),
    Key("storage.influx", "token_env", "variable", "none", "Environment variable with its token."),
    Key("storage.influx", "spool_mb", "megabytes", "1000", "Room on disk for readings while the server is away."),
)
"""All keys, table by table; paths are taken from the folder of farm.toml."""


def keys_of(table: str) -> set[str]:
    """Return the names of a table's keys."""
    return {key.name for key in KEYS if key.table == table}
