"""How single values of farm.toml are written: hours, weekdays, limits, spans, zones; each fault noted; pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from monitor.keys import keys_of
from monitor.people import WEEKDAYS
from monitor.places import LampHours, Limits
from monitor.readings import Quantity
from monitor.tomlfaults import FaultReader

T = TypeVar("T")
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.\-]*")
ID_RULE = "a short name of letters (a to z), digits, - _ or dots, beginning with a letter or digit"
_HOURS = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])\s*-\s*(?:([01]?[0-9]|2[0-3]):([0-5][0-9])|(24):(00))")
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_SPAN = re.compile(r"([0-9]{1,6})\s*(s|m|h|d)")
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400}
_SECRET = re.compile(r"(pass|passwd|password|token|secret|api_?key)$")
_SECRET_KEYS = {"channel": "url", "broker": "password", "storage.influx": "token", "device": "token"}
_DAY_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_NOT_IN_TOPICS = "+#"


def weekday(said: object) -> str | None:
    """Return a weekday as WEEKDAYS has it, from its name or the beginning of it; None for anything else."""
    if not isinstance(said, str) or len(said) < 3:
        return None
    folded = said.casefold()
    return next((day for day, name in zip(WEEKDAYS, _DAY_NAMES, strict=True) if name.startswith(folded)), None)


@cache
def zones() -> frozenset[str]:
    """Return the names of the tz database; it lies on disk and is gone through once."""
    return frozenset(available_timezones())


def near_zones(said: str) -> list[str]:
    """Return the time zones that a person may have meant, by city or by spelling; the likeliest first, at most 3."""
    wanted = said.strip().casefold().replace(" ", "_")
    known = sorted(zones())
    cities = [zone for zone in known if wanted and zone.casefold().rpartition("/")[2] == wanted]
    return cities[:3] or get_close_matches(said, known, n=3, cutoff=0.7)


class FarmValues(FaultReader):
    """Reads single values of farm.toml, and collects what is wrong with them; one fault a key, the first."""

    def __init__(self, text: str, file: str, folder: Path) -> None:
        """Take the file's text, its name for messages, and the folder that paths start from."""
        super().__init__(text, file)
        self.folder = folder

    def fault(self, key: str, found: object, allowed: str) -> None:
        """Note one fault; what follows from it at the same key would only confuse."""
        if not self.has_fault(key):
            super().fault(key, found, allowed)

    def has_fault(self, key: str) -> bool:
        """Tell whether something is wrong at a key."""
        return any(each.key == key for each in self.faults)

    def keys(self, table: Mapping[str, Any], name: str, path: str) -> None:
        """Note the unknown keys of a table, and the secrets that stand in it in the clear, which are not shown."""
        allowed = keys_of(name) | ({"influx", "postgresql"} if name == "storage" else set())
        secret = _SECRET_KEYS.get(name)
        for key in table:
            if key in allowed:
                continue
            if key == secret or _SECRET.search(key.casefold()):
                where = f"{secret}_file = ... (or {secret}_env)" if secret else "a file of its own"
                self.fault(f"{path}{key}", "a secret in the clear", f"put it into a file and name that: {where}")
            else:
                self.known({key: None}, allowed, path)

    def tables(self, document: Mapping[str, Any], name: str) -> Iterator[tuple[Mapping[str, Any], str]]:
        """Yield the tables of an array like [[sensor]] with their paths; their unknown keys are faults."""
        listed = document.get(name, [])
        if not isinstance(listed, list) or not all(isinstance(each, dict) for each in listed):
            self.fault(name, "a single table or value", f"is written as [[{name}]], once for each")
            return
        for number, table in enumerate(listed):
            path = f"{name}[{number}]."
            self.keys(table, name, path)
            yield table, path

    def one(self, document: Mapping[str, Any], name: str, path: str = "") -> Mapping[str, Any]:
        """Return a table like [farm]; empty where it is missing."""
        table = document.get(name, {})
        whole = f"{path}{name}"
        if not isinstance(table, dict):
            self.fault(whole, "a list or a value", f"is written as [{whole}], once")
            return {}
        self.keys(table, whole, f"{whole}.")
        return table

    def id_of(self, table: Mapping[str, Any], path: str, taken: Mapping[str, object]) -> str:
        """Return an id: letters, digits, - _ and dots, and not taken."""
        value = table.get("id")
        said = str(value) if isinstance(value, int | str) and not isinstance(value, bool) else ""
        if not ID.fullmatch(said):
            self.fault(f"{path}id", value, f"{ID_RULE} is needed")
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
            self.fault(f"{path}{key}", table[key], f"a number from {low:g} to {high:g}")
        return min(max(value, low), high)

    def count_or(self, table: Mapping[str, Any], key: str, path: str, default: T, low: int, high: int) -> int | T:
        """Return a whole number within its span, or the default where the key is missing."""
        value = self.number_or(table, key, path, None, low, high)
        if value is None:
            return default
        if value != int(value):
            self.fault(f"{path}{key}", table[key], f"a whole number from {low} to {high}")
        return int(value)

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
        if not said:
            return None
        if "://" in said:  # such an address often holds a password, so it is not shown
            self.fault(f"{path}{key}", "an address", "a file is named here, which holds the address or the secret")
            return None
        try:
            if "\0" in said:
                raise RuntimeError("a path holds no null character")
            return self.folder / Path(said).expanduser()
        except RuntimeError as exc:
            self.fault(f"{path}{key}", said, f"a path from the folder of farm.toml, or a whole one ({exc})")
            return None

    def one_source(self, table: Mapping[str, Any], path: str, what: str) -> None:
        """Note a secret that two keys name: from its file or from an environment variable, not both."""
        if f"{what}_file" in table and f"{what}_env" in table:
            self.fault(f"{path}{what}_env", table[f"{what}_env"], f"{what}_file or {what}_env, not both")

    def topic_or(self, table: Mapping[str, Any], key: str, path: str, default: T) -> str | T:
        """Return a topic that can be published to. Source: [MQTT5] section 4.7."""
        said = self.text_or(table, key, path, default)
        if isinstance(said, str) and (any(sign in said for sign in _NOT_IN_TOPICS) or "\0" in said):
            self.fault(f"{path}{key}", said, "a topic to publish to has no + or # in it")
        return said

    def filter_or_none(self, table: Mapping[str, Any], key: str, path: str) -> str | None:
        """Return a topic filter: + alone on its level, # alone on the last one. Source: [MQTT5] section 4.7."""
        said = self.text_or(table, key, path, None)
        levels = said.split("/") if said else []
        wrong = any(("+" in level and level != "+") or ("#" in level and level != "#") for level in levels)
        if wrong or "#" in levels[:-1] or "\0" in (said or ""):
            self.fault(
                f"{path}{key}", said, "an MQTT topic like cellar/node1; + stands alone on its level, # on the last"
            )
        return said

    def hours(self, table: Mapping[str, Any], key: str, path: str) -> tuple[time, time] | None:
        """Return two wall-clock times written as 06:00-22:00, or None where the key is missing; 24:00 is midnight."""
        if key not in table:
            return None
        match = _HOURS.fullmatch(str(table[key]).strip())
        if match is None:
            self.fault(f"{path}{key}", table[key], 'hours like "06:00-22:00"; they may pass midnight')
            return None
        end = time(0, 0) if match.group(5) else time(int(match.group(3)), int(match.group(4)))
        return time(int(match.group(1)), int(match.group(2))), end

    def lamp(self, table: Mapping[str, Any], path: str) -> LampHours | None:
        """Return lamp hours, or None where there are none; 00:00-24:00 is lit all day."""
        hours = self.hours(table, "lamp", path)
        return None if hours is None else LampHours(on=hours[0], off=hours[1])

    def limits(self, table: Mapping[str, Any], path: str) -> dict[Quantity, Limits]:
        """Return a place's own limits by quantity, in stored units."""
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
        """Return weekdays written as mon, tue ... or as whole names."""
        value = table.get(key, list(default))
        days = [weekday(each) for each in value] if isinstance(value, list) else [None]
        if None in days:
            self.fault(f"{path}{key}", value, f"a list of {', '.join(WEEKDAYS)}")
            return frozenset(default)
        return frozenset(day for day in days if day is not None)

    def one_of(
        self, table: Mapping[str, Any], key: str, path: str, allowed: tuple[str, ...], default: str | None
    ) -> str:
        """Return one of some words; the first where it is none of them."""
        value = table.get(key, default)
        if value not in allowed:
            near = get_close_matches(value, allowed, n=1) if isinstance(value, str) else []
            hint = f"; did you mean {near[0]}?" if near else ""
            self.fault(f"{path}{key}", value, f"one of {', '.join(allowed)}{hint}")
            return allowed[0]
        return str(value)

    def zone_at(self, table: Mapping[str, Any], key: str, path: str) -> ZoneInfo:
        """Return a time zone that must be there."""
        said = table.get(key)
        if isinstance(said, str) and said in zones():
            return ZoneInfo(said)
        near = near_zones(said) if isinstance(said, str) else []
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        self.fault(f"{path}{key}", said, f"a zone of the tz database is needed, like Europe/Lisbon or UTC{hint}")
        return ZoneInfo("UTC")

    def rounds(self, table: Mapping[str, Any]) -> tuple[time, ...]:
        """Return the times of the rounds, ascending."""
        value = table.get("rounds")
        if not isinstance(value, list) or not value or any(not _CLOCK.fullmatch(str(each)) for each in value):
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
        match = _SPAN.fullmatch(str(table["every"]).strip())
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
