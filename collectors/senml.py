"""SenML packs in JSON, resolved into records of their own: name, unit, value, time; pure.

Source: [RFC8428] sections 4 and 5 (base fields, relative times, resolved records).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import msgspec

from monitor.errors import PayloadError

VERSION = 10
RELATIVE_BELOW = 2**28
"""Times under this many seconds are relative to now. Source: [RFC8428] section 4.5.3."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
LABELS = frozenset(("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"))
_NUMBERS = ("bt", "bv", "bs", "bver", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")
_VALUES = ("v", "vs", "vb", "vd")

_decode = msgspec.json.Decoder(list[dict[str, Any]]).decode


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One resolved record.

    Attributes:
        name: Base name and name together.
        unit: Its unit, else the base unit; None where neither is given.
        value: Its number with the base value; None where it carries a text, a truth value or bytes.
        sum: Its sum with the base sum; None where there is none.
        time_s: Base time and time together, 0 where neither is given; under 2**28 relative to now. [s]
        other: A text, truth value or base64url text that it carries instead of a number.
        update_s: Longest time before the next record; None where it is not given. [s]
    """

    name: str
    unit: str | None
    value: float | None
    sum: float | None
    time_s: float
    other: str | bool | None = None
    update_s: float | None = None

    @property
    def is_relative(self) -> bool:
        """Tell whether its time counts from now: the sender knows no clock, or gave no time at all."""
        return self.time_s < RELATIVE_BELOW

    def absolute_s(self, now_s: float) -> float:
        """Return its time in seconds since 1970, relative ones counted from ``now_s``."""
        return self.time_s + now_s if self.is_relative else self.time_s


def _fault(number: int, what: str) -> PayloadError:
    """Return the error of one record."""
    return PayloadError(f"SenML record {number}: {what} (RFC 8428)")


def _check_types(number: int, record: dict[str, Any]) -> None:
    """Refuse fields of a wrong type, and unknown ones that must be understood."""
    for label, value in record.items():
        if label not in LABELS:
            if label.endswith("_"):
                raise _fault(number, f"field {label!r} must be understood, and is not")
            continue
        if label in _NUMBERS and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise _fault(number, f"{label!r} must be a number, is {value!r:.60}")
        if label in _TEXTS and not isinstance(value, str):
            raise _fault(number, f"{label!r} must be a text, is {value!r:.60}")
        if label == "vb" and not isinstance(value, bool):
            raise _fault(number, f"'vb' must be true or false, is {value!r:.60}")


def resolve(payload: bytes) -> tuple[Record, ...]:
    """Return the records of a pack in their order.

    Args:
        payload: JSON text.

    Raises:
        PayloadError: It is no SenML pack; says which record and why.
    """
    try:
        pack = _decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        raise PayloadError(f"not a SenML pack, which is a JSON array of objects: {exc}") from exc
    if not pack:
        raise PayloadError("an empty SenML pack; a pack has one record at least (RFC 8428)")
    base: dict[str, Any] = {}
    records = []
    for number, record in enumerate(pack, start=1):
        _check_types(number, record)
        for label in ("bn", "bt", "bu", "bv", "bs", "bver"):
            if label in record:
                base[label] = record[label]
        if base.get("bver", VERSION) > VERSION:
            raise _fault(number, f"version {base['bver']!r:.20} is newer than {VERSION}")
        resolved = _resolve_one(number, record, base)
        if resolved is not None:
            records.append(resolved)
    return tuple(records)


def _resolve_one(number: int, record: dict[str, Any], base: dict[str, Any]) -> Record | None:
    """Return one record with the base fields in force; None where it only sets base fields."""
    given = [label for label in _VALUES if label in record]
    if len(given) > 1:
        raise _fault(number, f"more than one value: {', '.join(given)}")
    if not given and "s" not in record and "bv" not in base and "bs" not in base:
        if set(record) & {"n", "u", "t", "ut"}:
            raise _fault(number, "no value: one of v, vs, vb, vd or s is needed")
        return None
    name = base.get("bn", "") + record.get("n", "")
    if not _NAME.fullmatch(name):
        raise _fault(number, f"name {name!r} is not of A-Z a-z 0-9 - : . / _ with a letter or digit first")
    other = next((record[label] for label in ("vs", "vb", "vd") if label in record), None)
    has_value = other is None and ("v" in record or "bv" in base)
    has_sum = "s" in record or "bs" in base
    return Record(
        name=name,
        unit=record.get("u", base.get("bu")),
        value=_added(number, "v", record, base) if has_value else None,
        sum=_added(number, "s", record, base) if has_sum else None,
        time_s=_added(number, "t", record, base),
        other=other,
        update_s=record.get("ut"),
    )


def _added(number: int, label: str, record: dict[str, Any], base: dict[str, Any]) -> float:
    """Return a field with its base; what is missing counts as 0."""
    try:
        added = float(record.get(label, 0) + base.get(f"b{label}", 0))
    except OverflowError:
        added = math.inf
    if not math.isfinite(added):
        raise _fault(number, f"{label!r} is too large for a number")
    return added
