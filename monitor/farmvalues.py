"""How single values of farm.toml are written: hours, weekdays, limits, spans, zones; each fault noted; pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from monitor.keys import keys_of
from monitor.people import WEEKDAYS
from monitor.places import LampHours, Limits
from monitor.readings import Quantity
from monitor.tomlfaults import FaultReader

T = TypeVar("T")
_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$")
_HOURS = re.compile(r"^([01]?\d|2[0-4]):([0-5]\d)\s*-\s*([01]?\d|2[0-4]):([0-5]\d)$")
_CLOCK = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)$")
_SPAN = re.compile(r"^(\d+)\s*(s|m|h|d)$")
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400}
_SECRET = re.compile(r"password$|token$|secret$|^url$")


class FarmValues(FaultReader):
    """Reads single values of farm.toml, and collects what is wrong with them."""

    def __init__(self, text: str, file: str, folder: Path) -> None:
        """Take the file's text, its name for messages, and the folder that paths start from."""
        super().__init__(text, file)
        self.folder = folder

    def clear_secrets(self, table: Mapping[str, Any], path: str) -> None:
        """Note a secret that stands in the file in the clear."""
        for key in table:
            if _SECRET.search(key) and key not in ("url",):
                self.fault(
                    f"{path}{key}", "a secret in the clear", f"put it into a file and name that: {key}_file = ..."
                )
            elif key == "url" and path.startswith("channel"):
                self.fault(f"{path}{key}", "an address that may hold a secret", "put it into a file: url_file = ...")

    def tables(self, document: Mapping[str, Any], name: str) -> Iterator[tuple[Mapping[str, Any], str]]:
        """Yield the tables of an array like [[sensor]] with their paths; their unknown keys are faults."""
        listed = document.get(name, [])
        if not isinstance(listed, list) or not all(isinstance(each, dict) for each in listed):
            self.fault(name, listed, f"is written as [[{name}]], once for each")
            return
        for number, table in enumerate(listed):
            path = f"{name}[{number}]."
            self.clear_secrets(table, path)
            self.known(
                {key: None for key in table if not _SECRET.search(key) or key in keys_of(name)}, keys_of(name), path
            )
            yield table, path

    def one(self, document: Mapping[str, Any], name: str) -> Mapping[str, Any]:
        """Return a table like [farm]; empty where it is missing."""
        table = document.get(name, {})
        if not isinstance(table, dict):
            self.fault(name, table, f"is written as [{name}]")
            return {}
        self.clear_secrets(table, f"{name}.")
        allowed = keys_of(name) | ({"influx"} if name == "storage" else set())
        self.known({key: None for key in table if not _SECRET.search(key) or key in allowed}, allowed, f"{name}.")
        return table

    def id_of(self, table: Mapping[str, Any], path: str, taken: Mapping[str, object]) -> str:
        """Return an id: letters, digits, - _ and dots, and not taken."""
        value = table.get("id")
        said = str(value) if isinstance(value, int | str) and not isinstance(value, bool) else ""
        if not _ID.match(said):
            self.fault(f"{path}id", value, "a short name of letters, digits, - _ or dots is needed")
            return f"?{path}"
        if said in taken:
            self.fault(f"{path}id", said, "this id stands twice; each needs its own")
        return said

    def text_or(self, table: Mapping[str, Any], key: str, path: str, default: T) -> str | T:
        """Return a text, or the default where the key is missing."""
        if key not in table:
            return default
        return self.text_at(table, key, path)

    def number_or(
        self, table: Mapping[str, Any], key: str, path: str, default: T, low: float, high: float
    ) -> float | T:
        """Return a number within its span, or the default where the key is missing."""
        if key not in table:
            return default
        value = self.number(table[key], f"{path}{key}")
        if not low <= value <= high:
            self.fault(f"{path}{key}", table[key], f"from {low:g} to {high:g}")
        return value

    def flag_or(self, table: Mapping[str, Any], key: str, path: str, default: bool) -> bool:
        """Return true or false, or the default where the key is missing."""
        value = table.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{path}{key}", value, "true or false")
            return default
        return value

    def path_or(self, table: Mapping[str, Any], key: str, path: str) -> Path | None:
        """Return a path from the folder of farm.toml, or None where the key is missing."""
        said = self.text_or(table, key, path, None)
        return None if said is None else self.folder / Path(said).expanduser()

    def hours(self, table: Mapping[str, Any], key: str, path: str) -> tuple[time, time] | None:
        """Return two wall-clock times written as 06:00-22:00, or None where the key is missing; 24:00 is midnight."""
        if key not in table:
            return None
        match = _HOURS.match(str(table[key]))
        if match is None or match.group(1) == "24":
            self.fault(f"{path}{key}", table[key], 'hours like "06:00-22:00"; they may pass midnight')
            return None
        first, second = (int(match.group(1)), int(match.group(2))), (int(match.group(3)) % 24, int(match.group(4)))
        return time(*first), time(*second)

    def lamp(self, table: Mapping[str, Any], path: str) -> LampHours | None:
        """Return lamp hours, or None where there are none."""
        hours = self.hours(table, "lamp", path)
        return None if hours is None else LampHours(on=hours[0], off=hours[1])

    def limits(self, table: Mapping[str, Any], path: str) -> dict[Quantity, Limits]:
        """Return a place's own limits by quantity."""
        given = table.get("limits", {})
        if not isinstance(given, dict):
            self.fault(f"{path}limits", given, "{ temperature = { low = 1, high = 5 } }")
            return {}
        found = {}
        for name, span in given.items():
            where = f"{path}limits.{name}"
            if name not in [each.value for each in Quantity] or not isinstance(span, dict) or not span:
                self.fault(where, span, "a quantity with { low, high }: " + ", ".join(each.value for each in Quantity))
                continue
            self.known(span, {"low", "high"}, f"{where}.")
            low, high = (self.number(span[end], f"{where}.{end}") if end in span else None for end in ("low", "high"))
            if low is not None and high is not None and low >= high:
                self.fault(where, f"{low:g} and {high:g}", "low must be under high")
            found[Quantity(name)] = Limits(low=low, high=high)
        return found

    def weekdays(self, table: Mapping[str, Any], key: str, path: str, default: tuple[str, ...]) -> frozenset[str]:
        """Return weekdays written as mon, tue ..."""
        value = table.get(key, list(default))
        if not isinstance(value, list) or any(str(day)[:3].casefold() not in WEEKDAYS for day in value):
            self.fault(f"{path}{key}", value, f"a list of {', '.join(WEEKDAYS)}")
            return frozenset(default)
        return frozenset(str(day)[:3].casefold() for day in value)

    def one_of(
        self, table: Mapping[str, Any], key: str, path: str, allowed: tuple[str, ...], default: str | None
    ) -> str:
        """Return one of some words."""
        value = table.get(key, default)
        if value not in allowed:
            self.fault(f"{path}{key}", value, f"one of {', '.join(allowed)}")
            return allowed[0]
        return str(value)

    def zone_at(self, table: Mapping[str, Any], key: str, path: str) -> ZoneInfo:
        """Return a time zone that must be there."""
        said = table.get(key)
        if not isinstance(said, str) or said not in available_timezones():
            self.fault(f"{path}{key}", said, "a zone of the tz database is needed, like Europe/Lisbon or UTC")
            return ZoneInfo("UTC")
        return ZoneInfo(said)

    def rounds(self, table: Mapping[str, Any]) -> tuple[time, ...]:
        """Return the times of the rounds, ascending."""
        value = table.get("rounds")
        if not isinstance(value, list) or not value or any(not _CLOCK.match(str(each)) for each in value):
            self.fault("farm.rounds", value, 'one time at least, like ["07:30", "17:00"]')
            return (time(7, 30),)
        times = [time.fromisoformat(str(each).zfill(5)) for each in value]
        if sorted(set(times)) != times:
            self.fault("farm.rounds", value, "times in ascending order, each once")
        return tuple(sorted(set(times)))

    def interval(self, table: Mapping[str, Any], path: str) -> timedelta | None:
        """Return a span written as 5m, or None where the key is missing."""
        if "every" not in table:
            return None
        match = _SPAN.match(str(table["every"]))
        if match is None or int(match.group(1)) == 0:
            self.fault(f"{path}every", table["every"], 'a span like "30s", "5m" or "1h"')
            return None
        return timedelta(seconds=int(match.group(1)) * _SECONDS[match.group(2)])

    def records_from(self, table: Mapping[str, Any]) -> datetime:
        """Return the instant before which device times are a wrong clock."""
        value = table.get("records_from", date(2020, 1, 1))
        if isinstance(value, str):
            try:
                value = date.fromisoformat(value)
            except ValueError:
                value = None
        if isinstance(value, datetime) or not isinstance(value, date):
            self.fault("farm.records_from", table.get("records_from"), "a day like 2020-01-01")
            value = date(2020, 1, 1)
        return datetime(value.year, value.month, value.day, tzinfo=UTC)
