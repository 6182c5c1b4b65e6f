"""A farm.toml in which every key stands once at least, none of them with the value that would hold without it."""

from __future__ import annotations

TEXT = """\
[farm]
name = "Saltcellar Farm"
time_zone = "Europe/Lisbon"
units = "US"
rounds = ["07:30", "17:00"]
delivery_days = ["tue", "friday"]
concentrate_ml_per_l = 2.5
records_from = 2024-06-01
loss_percent = 7.5
trays_in_pile = 3
profiles = "crops"

[[room]]
id = "cellar"
name = "the cellar"
lamp = "06:00-22:00"
limits = { temperature = { low = 4 } }

[[rack]]
id = 1
room = "cellar"
name = "the oak rack"
shelves = 3
trays_per_shelf = 2
lamp = "20:00-12:00"
limits = { humidity = { high = 80 } }

[[rack]]
id = "2"
room = "cellar"
shelves = 1

[[shelf]]
rack = "1"
number = 2
lamp = "00:00-24:00"
trays = 5
limits = { light = { low = 100, high = 30000 } }

[[place]]
id = "cold"
name = "the cold store"
kind = "cold store"

[place.limits]
temperature = { low = 0.5, high = 5 }

[[tray]]
id = "half"
length_mm = 250
width_mm = 240
medium = "hemp mat"
medium_depth_mm = 12
owned = 140

[[sensor]]
id = "air-1"
quantity = "temperature"
spot = "cellar/1/2"
topic = "cellar/+/air"
record = "temperature"
under_cover = true
every = "90s"

[[sensor]]
id = "lux-1"
quantity = "light"
spot = "2/1"
topic = "cellar/lux"
pointer = "/lux"
time_pointer = "/at"
unit = "klx"
lamp_kind = "metal halide"
lux_per_umol = 70
time_zone = "Africa/Accra"

[[sensor]]
id = "scale-1"
quantity = "weight"
spot = "cellar/1/2/5"
dry_g = 1150
carries_g = 20000
trays_on_it = 1
full_g = 1850

[[channel]]
id = "screen"
kind = "console"

[[channel]]
id = "lines"
kind = "jsonl"
path = "out/nudges.jsonl"

[[channel]]
id = "bus"
kind = "mqtt"
topic = "saltcellar/nudges"

[[channel]]
id = "mail"
kind = "apprise"
url_file = "mail-address.txt"
pictures = true

[[channel]]
id = "hook"
kind = "apprise"
url_env = "SALTCELLAR_HOOK"

[[person]]
id = "ines"
channels = ["screen", "mail"]
days = ["mon", "tue", "wed", "thu", "fri"]
quiet = "21:00-06:30"

[[person]]
id = "tomek"
channels = ["hook"]
days = ["sat", "sun"]

[broker]
embedded = false
host = "broker.saltcellar.example"
port = 8883
user = "monitor"
password_file = "broker-password.txt"
tls = true
ca_file = "ca.pem"
client_id = "saltcellar-monitor"
heartbeat_topic = "saltcellar/heartbeat"

[[modbus]]
id = "gateway"
host = "modbus.saltcellar.example"
port = 1502
every = "1m"
answer_within_s = 0.5

[[modbus]]
id = "bus"
serial = "/dev/ttyUSB0"
baud = 19200
parity = "even"
stop_bits = 2

[[register]]
sensor = "scale-1"
line = "gateway"
device = 7
table = "input"
address = 40
type = "float32"
word_order = "little"
scale = 1000
offset = -12.5
missing = [-9999]

[[folder]]
id = "loggers"
path = "in"
time = "date"
columns = ["Temp=air-1:degF", "Lux=lux-1"]
time_zone = "Africa/Accra"
delimiter = ";"
decimal = ","
time_format = "%d.%m.%Y %H:%M"
encoding = "cp1252"
skip_lines = 2
settle_s = 5

[[device]]
id = "node-3"
token_file = "node-3.token"
per_minute = 30

[[device]]
id = "node-4"
token_env = "NODE_4_TOKEN"

[ping]
every_minutes = 10
topic = "saltcellar/well"
url_file = "ping-address.txt"

[pages]
serve = false
address = "192.168.1.20"
port = 8500
cert_file = "pages-cert.pem"
key_file = "pages-key.pem"
behind_proxy = true
url = "https://farm.example"
names = ["shed.local"]

[storage]
folder = "records"
ledger_copies = "copies"
keep_copies = 7
compact_after_days = 5
keep_raw_days = 800

[storage.postgresql]
address = "postgresql://traywarden@127.0.0.1:5432/saltcellar"
password_file = "ledger-password.txt"

[storage.influx]
url = "http://127.0.0.1:8086"
database = "saltcellar"
retention_policy = "long"
token_file = "influx-token.txt"
spool_mb = 250
"""

INSTEAD = {
    "broker.password_env": ('password_file = "broker-password.txt"', 'password_env = "BROKER_PASSWORD"'),
    "ping.url_env": ('url_file = "ping-address.txt"', 'url_env = "PING_ADDRESS"'),
    "storage.postgresql.password_env": ('password_file = "ledger-password.txt"', 'password_env = "LEDGER_PASSWORD"'),
    "storage.influx.token_env": ('token_file = "influx-token.txt"', 'token_env = "INFLUX_TOKEN"'),
}
"""Keys that cannot stand beside the one they replace: (line of TEXT, line in its place)."""
