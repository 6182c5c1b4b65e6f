"""The tables of the other collectors: what they say is read, and each slip is told with the way out."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from monitor.farmfile import parse_farm, read_farm
from monitor.feeds import Device, ModbusLine, Register, WatchedFolder
from tests.support.fullfarm import TEXT

FOLDER = Path("farm")


def test_what_the_full_farm_says_of_its_feeds_is_read() -> None:
    """Each key reaches the value that it is meant for."""
    feeds = parse_farm(TEXT, file="farm.toml", folder=FOLDER).feeds

    assert feeds.lines == {
        "gateway": ModbusLine(
            id="gateway",
            host="modbus.saltcellar.example",
            port=1502,
            every=timedelta(minutes=1),
            patience=timedelta(seconds=0.5),
        ),
        "bus": ModbusLine(id="bus", serial="/dev/ttyUSB0", baud=19200, parity="even", stop_bits=2),
    }
    assert feeds.registers == (
        Register(
            sensor="scale-1",
            line="gateway",
            device=7,
            table="input",
            address=40,
            type="float32",
            word_order="little",
            scale=1000,
            offset=-12.5,
            missing=(-9999.0,),
        ),
    )
    assert feeds.folders == {
        "loggers": WatchedFolder(
            id="loggers",
            path=FOLDER / "in",
            time_column="date",
            columns={"Temp": ("air-1", "degF"), "Lux": ("lux-1", None)},
            zone="Africa/Accra",
            delimiter=";",
            decimal=",",
            time_format="%d.%m.%Y %H:%M",
            encoding="cp1252",
            skip_lines=2,
            settle=timedelta(seconds=5),
        )
    }
    assert feeds.devices == {
        "node-3": Device(id="node-3", token_file=FOLDER / "node-3.token", per_minute=30),
        "node-4": Device(id="node-4", token_env="NODE_4_TOKEN"),
    }


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ('host = "modbus.saltcellar.example"\n', "", "modbus[0].host", "or serial ="),
        ("port = 1502", "baud = 9600", "modbus[0].baud", "it goes with serial"),
        ("baud = 19200", "port = 502", "modbus[1].port", "it goes with host"),
        ("baud = 19200", "baud = 19201", "modbus[1].baud", "one of 1200"),
        ('parity = "even"', 'parity = "mark"', "modbus[1].parity", "none, even, odd"),
        ("answer_within_s = 0.5", "answer_within_s = 0", "modbus[0].answer_within_s", "0.1 to 60"),
        ('sensor = "scale-1"', 'sensor = "scale-9"', "register[0].sensor", "air-1, lux-1, scale-1"),
        ('line = "gateway"', 'line = "wire"', "register[0].line", "gateway, bus"),
        ("device = 7", "device = 248", "register[0].device", "0 to 247"),
        ('table = "input"', 'table = "coil"', "register[0].table", "holding, input"),
        ("address = 40\n", "", "register[0].address", "counted from 0"),
        ("address = 40\n", "address = 65535\n", "register[0].address", "0 to 65534"),
        ('type = "float32"', 'type = "float"', "register[0].type", "did you mean float"),
        ('type = "float32"', 'type = "int16"', "register[0].word_order", "a single word"),
        ("scale = 1000", "scale = 0", "register[0].scale", "not 0"),
        ("missing = [-9999]", "missing = -9999", "register[0].missing", "a list of numbers"),
        ('path = "in"\n', "", "folder[0].path", "the folder into which"),
        ('"Temp=air-1:degF"', '"Temp=air-9"', "folder[0].columns", "air-1, lux-1"),
        ('"Temp=air-1:degF"', '"Temp=air-1:bar"', "folder[0].columns", "degF"),
        ('"Temp=air-1:degF"', '"Temp"', "folder[0].columns", "column, sensor"),
        ('"Temp=air-1:degF"', '"Temp=lux-1"', "folder[0].columns", "has a column already"),
        ('delimiter = ";"', 'delimiter = ";;"', "folder[0].delimiter", "one character"),
        ('encoding = "cp1252"', 'encoding = "cp99999"', "folder[0].encoding", "utf-16"),
        ('decimal = ","', 'decimal = "·"', "folder[0].decimal", "one of ., ,"),
        ('token_file = "node-3.token"\n', "", "device[0].token_file", "or token_env"),
        ('token_file = "node-3.token"', 'token = "s3cret"', "device[0].token", "token_file = ... (or token_env)"),
        ("per_minute = 30", "per_minute = 0", "device[0].per_minute", "1 to 100000"),
    ],
)
def test_a_slip_is_told_at_its_key(old: str, new: str, key: str, allowed: str) -> None:
    """What is allowed stands beside it; a secret is never shown."""
    assert old in TEXT
    _, faults = read_farm(TEXT.replace(old, new, 1), file="farm.toml", folder=FOLDER)
    at_key = [fault for fault in faults if fault.key == key]

    assert len(at_key) == 1
    assert allowed in at_key[0].allowed
    assert "s3cret" not in str(faults)


def test_a_sensor_has_one_register_and_a_folder_is_watched_once() -> None:
    """A second one is told."""
    begin, end = TEXT.index("[[register]]"), TEXT.index("[[device]]")
    _, faults = read_farm(TEXT + TEXT[begin:end], file="farm.toml", folder=FOLDER)

    assert [fault.key for fault in faults] == ["register[1].sensor", "folder[1].id", "folder[1].path"]
