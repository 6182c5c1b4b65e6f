"""What a topic that no sensor claims could be: lines for farm.toml, guessed from its last payload; pure."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from collectors.decode import decode
from collectors.routes import Routes
from collectors.senml import Record, resolve
from monitor.errors import PayloadError, UnitError
from monitor.farm import Farm
from monitor.readings import Quantity
from monitor.units import factor_and_offset

_BEGINS = {
    "temp": Quantity.TEMPERATURE,
    "humid": Quantity.HUMIDITY,
    "illum": Quantity.LIGHT,
    "light": Quantity.LIGHT,
    "lux": Quantity.LIGHT,
    "weight": Quantity.WEIGHT,
    "gram": Quantity.WEIGHT,
}
_IS = {
    "celsius": Quantity.TEMPERATURE,
    "fahrenheit": Quantity.TEMPERATURE,
    "hum": Quantity.HUMIDITY,
    "rh": Quantity.HUMIDITY,
    "lx": Quantity.LIGHT,
    "ppfd": Quantity.PPFD,
    "par": Quantity.PPFD,
    "mass": Quantity.WEIGHT,
    "scale": Quantity.WEIGHT,
    "kg": Quantity.WEIGHT,
}
_UNIT_WORDS = {"f": "degF", "degf": "degF", "fahrenheit": "degF", "k": "K", "kelvin": "K", "kg": "kg", "lb": "lb",
               "lbs": "lb", "oz": "oz", "klx": "klx", "fc": "fc"}  # fmt: skip
_OF_ANYTHING = ("%", "/", "1")
"""Units that a humidity may have, and a battery or a valve too."""
_TIMES = ("time", "at", "ts", "timestamp", "measured_at")
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+")
_SHOWN = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class Unclaimed:
    """A topic that was heard, but that no sensor claims.

    Attributes:
        topic: The topic.
        payload: Its last payload, shortened, as text that is safe to print.
        retained: It was kept by the broker, so it may be old.
        lines: Lines to paste into farm.toml.
    """

    topic: str
    payload: str
    retained: bool
    lines: str


def printable(payload: bytes) -> str:
    """Return the beginning of a payload as text without control characters."""
    text = payload[:_SHOWN].decode("utf-8", "backslashreplace")
    return "".join(each if each.isprintable() else f"\\x{ord(each):02x}" for each in text)


def unclaimed(payloads: Mapping[str, bytes], retained: frozenset[str], routes: Routes, farm: Farm) -> list[Unclaimed]:
    """Return the topics that no sensor claims, with lines for farm.toml; what we publish ourselves is left out."""
    heartbeat = farm.broker.heartbeat_topic
    ours = {heartbeat, *(channel.topic for channel in farm.channels.values())}
    taken = set(farm.sensors)
    spot = next((each.id for each in farm.places), "room")
    return [
        Unclaimed(
            topic=topic,
            payload=printable(payload),
            retained=topic in retained,
            lines="\n\n".join(_Paste(topic, spot, taken).tables(payload)),
        )
        for topic, payload in sorted(payloads.items())
        if not routes.of(topic) and topic not in ours and not topic.startswith(("$", f"{heartbeat}/"))
    ]


def unreadable(payloads: Mapping[str, bytes], routes: Routes, *, heard_s: float) -> dict[str, str]:
    """Return why the last payload of a topic that sensors claim cannot be read, by topic."""
    found = {}
    for topic, payload in sorted(payloads.items()):
        sensors = routes.of(topic)
        try:
            if sensors:
                decode(payload, sensors, topic=topic, arrived_s=heard_s)
        except PayloadError as exc:
            found[topic] = printable(str(exc).encode()) if len(str(exc)) < _SHOWN else str(exc)
    return found


def quantity_of_name(name: str) -> Quantity | None:
    """Return the quantity that a name sounds like, or None; the last word that tells one counts."""
    for word in reversed(_words(name)):
        found = _IS.get(word) or next((quantity for start, quantity in _BEGINS.items() if word.startswith(start)), None)
        if found is not None:
            return found
    return None


def _words(name: str) -> list[str]:
    """Return the words of a name such as airTemp_F, in small letters."""
    return [word.casefold() for word in _WORD.findall(name)]


def _unit_of_name(name: str, quantity: Quantity) -> str | None:
    """Return the unit that a name ends in, if it is one of the quantity's and not the stored one."""
    unit = next((_UNIT_WORDS[word] for word in reversed(_words(name)) if word in _UNIT_WORDS), None)
    return unit if unit is not None and _fits(unit, quantity) else None


def _fits(unit: str, quantity: Quantity) -> bool:
    """Tell whether a unit is one of a quantity's."""
    try:
        factor_and_offset(unit, quantity)
    except UnitError:
        return False
    return True


def _quantity_of_unit(unit: str | None) -> Quantity | None:
    """Return the quantity that a unit belongs to, or None."""
    return None if unit is None else next((quantity for quantity in Quantity if _fits(unit, quantity)), None)


def _toml(said: str) -> str:
    """Return a text as TOML writes it; JSON's escapes are TOML's too."""
    return json.dumps(said, ensure_ascii=False).replace("\x7f", "\\u007f")


def _escape(key: str) -> str:
    """Return a key as a part of a pointer. Source: [RFC6901] section 3."""
    return key.replace("~", "~0").replace("/", "~1")


class _Paste:
    """Writes the [[sensor]] tables of one topic."""

    def __init__(self, topic: str, spot: str, taken: set[str]) -> None:
        """Take the topic, the place to begin with, and the ids that are taken, to which ours are added."""
        self._topic, self._spot, self._taken = topic, spot, taken
        self._last = topic.rstrip("/").rpartition("/")[2]

    def tables(self, payload: bytes) -> list[str]:
        """Return the tables that a payload suggests, or why there are none."""
        try:
            records = {record.name: record for record in resolve(payload) if record.value is not None}
        except PayloadError:
            records = {}
        if records:
            return [self._of_record(record, records) for record in records.values()]
        try:
            document: Any = json.loads(payload)
        except (ValueError, RecursionError):
            return ["# neither a number, nor JSON: this cannot feed a sensor"]
        if isinstance(document, dict):
            return list(self._of_object(document)) or ["# no number in this object: it cannot feed a sensor"]
        if isinstance(document, bool) or not isinstance(document, int | float):
            return ["# no number: this cannot feed a sensor"]
        sounds = next((part for part in reversed(self._topic.split("/")) if quantity_of_name(part)), "")
        quantity = quantity_of_name(sounds)
        unit = _unit_of_name(sounds, quantity) if quantity else None
        return [self._table(self._last, quantity, {"unit": unit} if unit else {})]

    def _of_record(self, record: Record, pack: Mapping[str, Record]) -> str:
        """Return the table of one SenML record, by the end of its name where only one ends so."""
        end = re.split("[:/]", record.name)[-1]
        alike = [name for name in pack if name.endswith((f":{end}", f"/{end}")) or name == end]
        by_name = quantity_of_name(record.name)
        quantity = by_name if record.unit is None or record.unit in _OF_ANYTHING else _quantity_of_unit(record.unit)
        if quantity is None and record.unit is not None:
            return f"# record {record.name}: unit {printable(record.unit.encode())} is none that is kept"
        more = {"record": end if end and len(alike) == 1 else record.name}
        if record.unit == "%" and quantity is Quantity.HUMIDITY:  # it has to be said what the device means by it
            more["unit"] = "%"
        return self._table(record.name, quantity, more)

    def _of_object(self, document: Mapping[str, Any], above: str = "", time: str = "") -> Iterator[str]:
        """Yield the tables of the numbers in an object and the objects in it."""
        key = next((each for each in document if each.casefold() in _TIMES), None)
        time = f"{above}/{_escape(key)}" if key is not None else time
        for name, value in document.items():
            pointer = f"{above}/{_escape(name)}"
            if isinstance(value, dict):
                yield from self._of_object(value, pointer, time)
            elif isinstance(value, int | float) and not isinstance(value, bool) and pointer != time:
                quantity = quantity_of_name(name) or quantity_of_name(above)
                unit = _unit_of_name(name, quantity) if quantity else None
                more = {"pointer": pointer, "time_pointer": time, "unit": unit or ""}
                yield self._table(f"{self._last}-{name}", quantity, {each: said for each, said in more.items() if said})

    def _table(self, name: str, quantity: Quantity | None, more: Mapping[str, str]) -> str:
        """Return one [[sensor]] table; as a comment where nothing tells what it measures."""
        pairs = {
            "id": self._new_id(name),
            "quantity": quantity or "?",
            "spot": self._spot,
            "topic": self._topic,
            **more,
        }
        lines = ["[[sensor]]", *(f"{key} = {_toml(said)}" for key, said in pairs.items())]
        if quantity is not None:
            return "\n".join(lines)
        return "\n".join(
            ["# What does this one measure? Nothing tells; leave it out, or say it.", *(f"# {line}" for line in lines)]
        )

    def _new_id(self, name: str) -> str:
        """Return a name as an id that is not taken yet."""
        kept = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_.") else "-" for letter in name)
        base = kept.strip("-_.") or "sensor"
        new = next(
            each
            for number in range(1, len(self._taken) + 2)
            if (each := f"{base}-{number}" if number > 1 else base) not in self._taken
        )
        self._taken.add(new)
        return new
