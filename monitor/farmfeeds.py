"""The collectors of farm.toml beside MQTT: [[modbus]], [[register]], [[folder]] and [[device]]; pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, cast

from monitor.errors import UnitError
from monitor.farm import Sensor
from monitor.farmvalues import FarmValues
from monitor.feeds import WIDTH, Device, Feeds, ModbusLine, Register, WatchedFolder
from monitor.units import factor_and_offset

_OF_TCP, _OF_SERIAL = ("port",), ("baud", "parity", "stop_bits")
_BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400)
_COLUMN = 'a list like ["Temp=air-1:degF", "RH=damp-1"]: column, sensor, and the unit where it is another'


class FeedReader(FarmValues):
    """Reads the tables of the other collectors, and collects what is wrong with them."""

    def feeds(self, document: Mapping[str, Any], sensors: Mapping[str, Sensor]) -> Feeds:
        """Return all of them; each sensor that they name must be there."""
        lines = self.modbus_lines(document)
        return Feeds(
            lines=lines,
            registers=self.registers(document, sensors, lines),
            folders=self.folders(document, sensors),
            devices=self.devices(document),
        )

    # -- Modbus ---------------------------------------------------------------------------------------------

    def modbus_lines(self, document: Mapping[str, Any]) -> dict[str, ModbusLine]:
        """Return the Modbus lines by id."""
        lines: dict[str, ModbusLine] = {}
        for table, path in self.tables(document, "modbus"):
            name = self.id_of(table, path, lines)
            lines[name] = self.modbus_line(table, path, name)
        return lines

    def modbus_line(self, table: Mapping[str, Any], path: str, name: str) -> ModbusLine:
        """Return one line: TCP or serial, with the keys of its own kind."""
        if ("host" in table) == ("serial" in table):
            self.fault(f"{path}host", table.get("host"), 'host = "192.0.2.7" (TCP) or serial = "/dev/ttyUSB0" (RTU)')
        for key in _OF_SERIAL if "host" in table else _OF_TCP:
            if key in table:
                self.fault(f"{path}{key}", table[key], f"it goes with {'serial' if 'host' in table else 'host'}")
        usual = ModbusLine(id=name)
        baud = self.count_or(table, "baud", path, usual.baud, 1200, 230400)
        if baud not in _BAUDS:
            self.fault(f"{path}baud", baud, f"one of {', '.join(str(each) for each in _BAUDS)}")
        return ModbusLine(
            id=name,
            host=self.text_or(table, "host", path, None),
            port=self.count_or(table, "port", path, usual.port, 1, 65535),
            serial=self.text_or(table, "serial", path, None),
            baud=baud,
            parity=cast(Any, self.one_of(table, "parity", path, ("none", "even", "odd"), usual.parity)),
            stop_bits=self.count_or(table, "stop_bits", path, usual.stop_bits, 1, 2),
            every=self.interval(table, path) or usual.every,
            patience=timedelta(seconds=self.number_or(table, "answer_within_s", path, 2.0, 0.1, 60)),
        )

    def registers(
        self, document: Mapping[str, Any], sensors: Mapping[str, Sensor], lines: Mapping[str, ModbusLine]
    ) -> tuple[Register, ...]:
        """Return the register map; each sensor has one place at most."""
        found: dict[str, Register] = {}
        for table, path in self.tables(document, "register"):
            sensor = self.sensor_named(table.get("sensor"), f"{path}sensor", sensors)
            if sensor in found:
                self.fault(f"{path}sensor", sensor, "this sensor has a register already; give each sensor one")
            line = self.text_at(table, "line", path)
            if line not in lines and not self.has_fault(f"{path}line"):
                self.fault(f"{path}line", line, f"the id of a [[modbus]] table: {', '.join(lines) or 'there is none'}")
            kind = self.one_of(table, "type", path, tuple(WIDTH), "int16")
            if WIDTH[kind] == 1 and "word_order" in table:
                self.fault(f"{path}word_order", table["word_order"], f"{kind} is a single word and has no order")
            if "address" not in table:
                self.fault(f"{path}address", None, "the address of its first register, counted from 0")
            scale = self.number_or(table, "scale", path, 1.0, -1e9, 1e9)
            if scale == 0:
                self.fault(f"{path}scale", 0, "a number that is not 0; it multiplies what is read")
            found[sensor] = Register(
                sensor=sensor,
                line=line,
                device=self.count_or(table, "device", path, 1, 0, 247),
                table=cast(Any, self.one_of(table, "table", path, ("holding", "input"), "holding")),
                address=self.count_or(table, "address", path, 0, 0, 65536 - WIDTH[kind]),
                type=kind,
                word_order=cast(Any, self.one_of(table, "word_order", path, ("big", "little"), "big")),
                scale=scale,
                offset=self.number_or(table, "offset", path, 0.0, -1e9, 1e9),
                missing=self.numbers(table, "missing", path),
            )
        return tuple(found.values())

    def numbers(self, table: Mapping[str, Any], key: str, path: str) -> tuple[float, ...]:
        """Return a list of numbers; empty where the key is missing."""
        said = table.get(key, [])
        if not isinstance(said, list):
            self.fault(f"{path}{key}", said, "a list of numbers, like [32768]")
            return ()
        return tuple(self.number(each, f"{path}{key}") for each in said)

    def sensor_named(self, said: object, key: str, sensors: Mapping[str, Sensor]) -> str:
        """Return the id of a sensor that must be there."""
        if not isinstance(said, str) or said not in sensors:
            self.fault(key, said, f"the id of a [[sensor]] table: {', '.join(sensors) or 'there is none'}")
        return str(said)

    # -- files and pushes -----------------------------------------------------------------------------------

    def folders(self, document: Mapping[str, Any], sensors: Mapping[str, Sensor]) -> dict[str, WatchedFolder]:
        """Return the watched folders by id; no two watch the same one."""
        folders: dict[str, WatchedFolder] = {}
        for table, path in self.tables(document, "folder"):
            name = self.id_of(table, path, folders)
            place = self.path_or(table, "path", path)
            if place is None:
                self.fault(f"{path}path", table.get("path"), "the folder into which the logger's files are put")
            if place in [each.path for each in folders.values()]:
                self.fault(f"{path}path", table["path"], "this folder is watched already; one [[folder]] for each")
            folders[name] = WatchedFolder(
                id=name,
                path=place or self.folder,
                time_column=self.text_at(table, "time", path),
                columns=self.columns(table, path, sensors),
                zone=self.zone_at(table, "time_zone", path).key if "time_zone" in table else None,
                delimiter=self.delimiter(table, path),
                decimal=self.one_of(table, "decimal", path, (".", ","), None) if "decimal" in table else None,
                time_format=self.text_or(table, "time_format", path, None),
                encoding=self.encoding(table, path),
                skip_lines=self.count_or(table, "skip_lines", path, 0, 0, 10_000),
                settle=timedelta(seconds=self.count_or(table, "settle_s", path, 30, 1, 86_400)),
            )
        return folders

    def columns(
        self, table: Mapping[str, Any], path: str, sensors: Mapping[str, Sensor]
    ) -> dict[str, tuple[str, str | None]]:
        """Return which column feeds which sensor, written as COLUMN=SENSOR or COLUMN=SENSOR:UNIT."""
        said, where = table.get("columns"), f"{path}columns"
        if not isinstance(said, list) or not said or not all(isinstance(each, str) for each in said):
            self.fault(where, said, _COLUMN)
            return {}
        found: dict[str, tuple[str, str | None]] = {}
        for each in said:
            column, equals, rest = each.rpartition("=")
            sensor, _, unit = rest.partition(":")
            if not equals or not column or not sensor or column in found:
                self.fault(where, each, f"{_COLUMN}; each column once")
                continue
            self.sensor_named(sensor, where, sensors)
            if sensor in [taken for taken, _ in found.values()]:
                self.fault(where, each, f"sensor {sensor} has a column already; give each sensor one")
            if sensor in sensors and unit:
                try:
                    factor_and_offset(unit, sensors[sensor].quantity)
                except UnitError as exc:
                    self.fault(where, each, str(exc))
            found[column] = (sensor, unit or None)
        return found

    def delimiter(self, table: Mapping[str, Any], path: str) -> str | None:
        """Return what parts the fields, or None where it is to be found out; ``tab`` is a tab."""
        said = self.text_or(table, "delimiter", path, None)
        if said in ("tab", "TAB"):
            return "\t"
        if said is not None and (len(said) != 1 or said in '"\r\n'):
            self.fault(f"{path}delimiter", said, 'one character, or "tab"')
            return None
        return said

    def encoding(self, table: Mapping[str, Any], path: str) -> str | None:
        """Return a text encoding that Python knows, or None."""
        said = self.text_or(table, "encoding", path, None)
        try:
            if said is not None:
                "".encode(said)
        except (LookupError, ValueError):
            self.fault(f"{path}encoding", said, 'a text encoding, like "cp1252" or "utf-16"')
            return None
        return said

    def devices(self, document: Mapping[str, Any]) -> dict[str, Device]:
        """Return the devices that push, by id; each has a token."""
        devices: dict[str, Device] = {}
        for table, path in self.tables(document, "device"):
            name = self.id_of(table, path, devices)
            self.one_source(table, path, "token")
            if not {"token_file", "token_env"} & set(table):
                self.fault(f"{path}token_file", None, "token_file or token_env: where the device's token is")
            devices[name] = Device(
                id=name,
                token_file=self.path_or(table, "token_file", path),
                token_env=self.text_or(table, "token_env", path, None),
                per_minute=self.count_or(table, "per_minute", path, 120, 1, 100_000),
            )
        return devices
