"""What a device pushed in one request, as messages; pure.

A SenML pack is one message, and so is a JSON object or number; a JSON array of such is a batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import msgspec

from collectors.pipeline import Message
from collectors.senml import LABELS
from monitor.errors import PayloadError

SENML, JSON = "application/senml+json", "application/json"
"""Media types that are read. Source: [RFC8428] section 12.3.1; [RFC8259] section 11."""
MOST_MESSAGES = 5_000


def media_type(said: str) -> str:
    """Return the media type of a Content-Type header, without parameters."""
    return said.partition(";")[0].strip().casefold()


def messages_of(body: bytes, kind: str, *, topic: str, now: datetime) -> list[Message]:
    """Return a request's body as messages, each read like one of MQTT afterwards.

    Args:
        body: As it came.
        kind: Its media type, SENML or JSON.
        topic: Topic of all of them.
        now: When it came.

    Raises:
        PayloadError: It is no JSON at all, or an empty array.
    """
    try:
        parts = [body] if kind == SENML else _parts(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        raise PayloadError(
            f'no JSON: {exc}; send a SenML pack, an object, or an array of such, e.g. [{{"t": 21.4, "at": 1772442000}}]'
        ) from exc
    if not parts:
        raise PayloadError("an empty array; a batch has one message at least")
    return [Message(topic, part, now) for part in parts]


def _parts(body: bytes) -> Sequence[bytes]:
    """Return the messages of a JSON body."""
    document = msgspec.json.decode(body)
    if not isinstance(document, list) or _is_pack(document):
        return [body]
    return [bytes(each) for each in msgspec.json.decode(body, type=list[msgspec.Raw])]


def _is_pack(document: list[object]) -> bool:
    """Tell whether an array is a SenML pack that was called plain JSON: nothing but its labels, and a name."""
    first = document[0] if document else None
    return (
        isinstance(first, dict)
        and bool({"n", "bn"} & set(first))
        and all(isinstance(each, dict) and set(each) <= LABELS for each in document)
    )
