"""The ways to reach a person: console, a file of JSON lines, an MQTT topic, and what Apprise reaches."""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from alerts.advisor import Channel
from monitor.errors import ChannelError
from monitor.farm import ChannelSettings, Farm

log = logging.getLogger(__name__)

Publish = Callable[[str, bytes], None]
"""(topic, payload) -> handed to the broker; raises ChannelError."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Enclosure:
    """A picture that goes out with a message.

    Attributes:
        png: The picture, as a PNG file.
        words: The line under the message that says what it shows.
    """

    png: bytes
    words: str


Picture = Callable[[Mapping[str, object]], Enclosure | None]
"""(payload) -> what is enclosed with that message; None: nothing is. Never raises, and takes a few seconds at most."""

_FOR_MAIL = ("mailto", "mailtos")


class ConsoleChannel:
    """Prints to a terminal, or to a service's journal."""

    def __init__(self, stream: TextIO | None = None) -> None:
        """Print to ``stream``; None: standard output at the time of printing."""
        self._stream = stream

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Print a message with an empty line behind it."""
        stream = self._stream or sys.stdout
        try:
            stream.write(f"{text}\n\n")
            stream.flush()
        except (OSError, ValueError) as exc:
            raise ChannelError(f"the console cannot be written: {exc}") from exc


class JsonLinesChannel:
    """Adds one JSON object a message to a file, on disk when it returns."""

    def __init__(self, path: Path) -> None:
        """Write to ``path``; the file is made when the first message comes."""
        self._path = path

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Add a message as one line."""
        line = json.dumps({"schema": "traywarden.nudge/1", "title": title, "text": text, **payload}, ensure_ascii=False)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as exc:
            raise ChannelError(f"{self._path} cannot be written: {exc}; name another path in farm.toml") from exc


class MqttChannel:
    """Publishes each message as JSON to a topic."""

    def __init__(self, topic: str, publish: Publish) -> None:
        """Publish to ``topic`` through the service's own connection."""
        self._topic, self._publish = topic, publish

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Publish a message."""
        body = json.dumps({"schema": "traywarden.nudge/1", "title": title, "text": text, **payload}, ensure_ascii=False)
        self._publish(self._topic, body.encode())


class _Words(logging.Handler):
    """Keeps what a library says while it works."""

    def __init__(self) -> None:
        """Keep warnings and worse."""
        super().__init__(logging.WARNING)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one message."""
        self.said.append(record.getMessage())


class AppriseChannel:
    """Hands messages to whatever an Apprise address names: e-mail, webhooks and the rest.

    The address often holds a password: it is never logged, shown, or put into an error.
    """

    def __init__(self, name: str, address: str, picture: Picture | None = None) -> None:
        """Take the channel's name, for messages about it, its address, and what draws pictures; None: it takes none."""
        self._name, self._address, self._picture = name, address, picture
        self._bare: set[object] = set()
        """Keys of the messages that were not taken with a picture; they are tried again without."""

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Hand a message over, and wait for the answer; one that is not taken with its picture goes without."""
        import apprise

        sender = apprise.Apprise()
        if not sender.add(self._address):
            raise ChannelError(
                f"channel {self._name}: its address is none that Apprise knows; it looks like mailto://, json:// ..."
            )
        key = payload.get("key")
        enclosed = None if self._picture is None or key in self._bare else self._picture(payload)
        words = _Words()
        logging.getLogger("apprise").addHandler(words)
        try:
            taken = sender.notify(
                body=text if enclosed is None else f"{text}\n\n{enclosed.words}",
                title=title,
                body_format=apprise.NotifyFormat.TEXT,
                attach=None if enclosed is None else _attached(enclosed),
            )
        finally:
            logging.getLogger("apprise").removeHandler(words)
        if not taken:
            if enclosed is not None:
                self._bare.add(key)
            why = f": {self._hide(words.said[-1])}" if words.said else ""
            raise ChannelError(f"channel {self._name} did not take the message{why}; see that its server answers")
        self._bare.discard(key)

    def _hide(self, said: str) -> str:
        """Return a library's words without the address or any part of it that may be secret."""
        return "its server refused or did not answer" if any(part in said for part in self._parts()) else said[:200]

    def _parts(self) -> list[str]:
        """Return the parts of the address that must not be shown."""
        from urllib.parse import urlsplit

        parts = urlsplit(self._address)
        return [part for part in (self._address, parts.password or "", parts.username or "") if part]


def _attached(enclosed: Enclosure) -> Any:
    """Return a picture as Apprise takes it: out of memory, no file is written."""
    from apprise.attachment.memory import AttachMemory

    make: Callable[..., Any] = AttachMemory  # untyped there
    return make(content=enclosed.png, name="picture.png", mimetype="image/png")


def _takes_pictures(settings: ChannelSettings, address: str) -> bool:
    """Tell whether a channel takes pictures: as farm.toml says, else whether its address is one for mail."""
    if settings.pictures is not None:
        return settings.pictures
    return address.partition("://")[0].lower() in _FOR_MAIL


def _address(settings: ChannelSettings) -> str:
    """Return a channel's Apprise address from its file or environment variable.

    Raises:
        ChannelError: Neither gives one.
    """
    if settings.url_env:
        found = os.environ.get(settings.url_env, "")
        where = f"the environment variable {settings.url_env}"
    else:
        where = f"the file {settings.url_file}"
        try:
            found = settings.url_file.read_text(encoding="utf-8").strip() if settings.url_file else ""
        except OSError as exc:
            raise ChannelError(f"channel {settings.id}: {where} cannot be read: {exc.strerror}") from exc
    if not found:
        raise ChannelError(f"channel {settings.id}: {where} holds no address; put the Apprise address there")
    return found


class BrokenChannel:
    """Stands for a channel that could not be opened; every message to it fails with the reason."""

    def __init__(self, why: ChannelError) -> None:
        """Keep the reason."""
        self._why = str(why)

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Refuse, so that the outbox tries again and `traywarden status` shows it."""
        raise ChannelError(self._why)


def open_channel(
    settings: ChannelSettings,
    *,
    publish: Publish | None,
    console: TextIO | None = None,
    picture: Picture | None = None,
) -> Channel:
    """Return a channel as farm.toml describes it; one that cannot be opened is returned broken, not raised."""
    try:
        if settings.kind == "console":
            return ConsoleChannel(console)
        if settings.kind == "jsonl":
            return JsonLinesChannel(settings.path or Path("nudges.jsonl"))
        if settings.kind == "mqtt":
            if publish is None:
                raise ChannelError(f"channel {settings.id}: the broker is not connected here")
            return MqttChannel(settings.topic or "traywarden/nudges", publish)
        address = _address(settings)
        return AppriseChannel(settings.id, address, picture if _takes_pictures(settings, address) else None)
    except ChannelError as exc:
        log.warning("channel.broken id=%s why=%s", settings.id, exc)
        return BrokenChannel(exc)


def open_channels(
    farm: Farm,
    *,
    publish: Publish | None = None,
    console: TextIO | None = None,
    picture: Picture | None = None,
) -> dict[str, Channel]:
    """Return all channels of a farm by id; ``picture`` draws what goes with a message, for those that take pictures."""
    return {
        settings.id: open_channel(settings, publish=publish, console=console, picture=picture)
        for settings in farm.channels.values()
    }
