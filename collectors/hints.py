"""What a topic that no sensor claims could be: lines for farm.toml, guessed from its last payload; pure."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collectors.routes import Routes
from collectors.senml import Record, resolve
from monitor.errors import PayloadError, UnitError
from monitor.farm import Farm
from monitor.readings import Quantity
from monitor.units import factor_and_offset

_WORDS = {
    Quantity.TEMPERATURE: ("temp", "celsius"),
    Quantity.HUMIDITY: ("hum", "rh"),
    Quantity.LIGHT: ("lux", "illum", "light"),
    Quantity.PPFD: ("ppfd", "par"),
    Quantity.WEIGHT: ("weight", "mass", "gram"),
}
_TIMES = ("time", "at", "ts", "timestamp")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unclaimed:
    """A topic that was heard, but that no sensor claims.

    Attributes:
        topic: The topic.
        payload: Its last payload, shortened, as text.
        lines: Lines to paste into farm.toml.
    """

    topic: str
    payload: str
    lines: str


def unclaimed(payloads: Mapping[str, bytes], routes: Routes, farm: Farm) -> list[Unclaimed]:
    """Return the topics that no sensor claims, with lines for farm.toml; our own heartbeat is left out."""
    spot = next(iter(farm.places)).id
    return [
        Unclaimed(
            topic=topic, payload=payload[:160].decode("utf-8", "backslashreplace"), lines=_lines(topic, payload, spot)
        )
        for topic, payload in sorted(payloads.items())
        if not routes.of(topic) and topic != farm.broker.heartbeat_topic and not topic.startswith("$")
    ]


def _block(name: str, quantity: Quantity | None, spot: str, topic: str, **more: str) -> str:
    """Return one [[sensor]] table."""
    lines = [
        "[[sensor]]",
        f"id = {json.dumps(_id(name))}",
        f'quantity = "{quantity.value if quantity else "?"}"',
        f'spot = "{spot}"',
        f"topic = {json.dumps(topic)}",
    ]
    return "\n".join([*lines, *(f"{key} = {json.dumps(value)}" for key, value in more.items())])


def _id(name: str) -> str:
    """Return a name as an id."""
    kept = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_.") else "-" for letter in name)
    return kept.strip("-.") or "sensor"


def _lines(topic: str, payload: bytes, spot: str) -> str:
    """Return the tables that a payload suggests."""
    last = topic.rstrip("/").rpartition("/")[2]
    try:
        records = [record for record in resolve(payload) if record.value is not None]
    except PayloadError:
        records = []
    if records:
        return "\n\n".join(_of_record(record, spot, topic) for record in records)
    try:
        document: Any = json.loads(payload)
    except (ValueError, UnicodeDecodeError):
        return f"# neither a number, nor JSON: {topic} cannot feed a sensor"
    if isinstance(document, dict):
        found = _of_object(document, spot, topic, last)
        return "\n\n".join(found) or "# no number in this object: it cannot feed a sensor"
    return _block(last, _by_name(last), spot, topic)


def _of_record(record: Record, spot: str, topic: str) -> str:
    """Return the table of one SenML record."""
    end = max(record.name.rpartition(":")[2], record.name.rpartition("/")[2], key=lambda part: -len(part))
    return _block(record.name, _by_unit(record.unit) or _by_name(record.name), spot, topic, record=end or record.name)


def _of_object(document: Mapping[str, Any], spot: str, topic: str, last: str) -> list[str]:
    """Return the tables of the numbers in an object, one level deep in other objects."""
    time_key = next((key for key in document if key.casefold() in _TIMES), None)
    more = {"time_pointer": f"/{time_key}"} if time_key else {}
    numbers = []
    for key, value in document.items():
        inner = value.items() if isinstance(value, dict) else [("", value)]
        for inner_key, each in inner:
            pointer = f"/{_escape(key)}" + (f"/{_escape(inner_key)}" if inner_key else "")
            if isinstance(each, int | float) and not isinstance(each, bool) and key != time_key:
                name = f"{last}-{inner_key or key}"
                numbers.append(_block(name, _by_name(inner_key or key), spot, topic, pointer=pointer, **more))
    return numbers


def _escape(key: str) -> str:
    """Return a key as a part of a pointer. Source: [RFC6901] section 3."""
    return key.replace("~", "~0").replace("/", "~1")


def _by_unit(unit: str | None) -> Quantity | None:
    """Return the quantity that a unit belongs to, or None."""
    for quantity in Quantity:
        try:
            if unit is not None and factor_and_offset(unit, quantity):
                return quantity
        except UnitError:
            continue
    return None


def _by_name(name: str) -> Quantity | None:
    """Return the quantity that a name sounds like, or None."""
    folded = name.casefold()
    return next((quantity for quantity, words in _WORDS.items() if any(word in folded for word in words)), None)
