"""A sign that all is well, sent at an interval to an address outside: whoever watches there notices a dead monitor."""

from __future__ import annotations

import os
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from monitor.errors import ChannelError
from monitor.farm import PingSettings

_TIMEOUT_S = 10.0


def ping_address(settings: PingSettings) -> str | None:
    """Return the address that a farm's settings name, from its file or environment variable; None: a topic alone.

    Raises:
        ChannelError: It cannot be read, or is no web address; the address itself is never said, it may hold a secret.
    """
    if settings.url_file is not None:
        try:
            address = settings.url_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as exc:
            raise ChannelError(f"[ping] url_file {settings.url_file} cannot be read: {exc}") from exc
    elif settings.url_env is not None:
        address = os.environ.get(settings.url_env, "").strip()
    else:
        return None
    if urlsplit(address).scheme not in ("http", "https"):
        raise ChannelError("[ping] the address is no http or https address; put the whole of it into its file alone")
    return address


def ping(address: str) -> None:
    """Ask for an address once.

    Raises:
        ChannelError: Nobody answered in time, or not with success.
    """
    request = Request(address, method="GET", headers={"User-Agent": "traywarden"})  # checked above
    try:
        with urlopen(request, timeout=_TIMEOUT_S):
            return
    except (URLError, OSError, ValueError) as exc:
        why = getattr(exc, "reason", exc)
        raise ChannelError(f"[ping] {urlsplit(address).hostname} did not take it: {why}") from exc
