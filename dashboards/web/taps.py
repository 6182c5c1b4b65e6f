"""Taps: forms that write entries, sent at once or kept in a phone and sent later, each counted once.

A module of pages registers a handler for a path. The path itself takes the plain form of a browser without script
(post, redirect, get); ``/taps`` takes what a phone has kept, as JSON, and answers each tap by itself.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from dashboards.web.house import House
from dashboards.web.show import back_to, say
from monitor.errors import RefusedError, StoreError

OLDEST = timedelta(days=7)
"""A tap that a phone kept for longer is refused: the book has moved on. Our choice."""
_MOST = 300
_KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")


class Fields:
    """The fields of a form, in order; a name may stand several times."""

    def __init__(self, pairs: Iterable[tuple[str, str]]) -> None:
        """Keep the pairs."""
        self._pairs = tuple(pairs)

    def get(self, name: str, default: str = "") -> str:
        """Return the first value of a name."""
        return next((value.strip() for key, value in self._pairs if key == name), default)

    def all(self, name: str) -> tuple[str, ...]:
        """Return all values of a name."""
        return tuple(value for key, value in self._pairs if key == name)

    def after(self, prefix: str) -> dict[str, str]:
        """Return the values of names that begin with a prefix, by the rest of the name."""
        return {key.removeprefix(prefix): value.strip() for key, value in self._pairs if key.startswith(prefix)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """Who tapped, when.

    Attributes:
        key: The tap's own key; what carries the same key is the same tap.
        at: When it was tapped, by our clock.
        by: Who tapped.
        now: The present instant.
    """

    key: str
    at: datetime
    by: str
    now: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a tap.

    Attributes:
        word: ``done``; ``already``: somebody was faster; ``refused``: nothing was entered.
        says: It in words.
    """

    word: Literal["done", "already", "refused"]
    says: str


Handler = Callable[[Fields, Tapped], Outcome]


def plain_route(house: House, path: str, handler: Handler, *, back: str) -> Route:
    """Return the route of a form without script: it is taken, and the page is shown again.

    Args:
        house: The collaborators.
        path: Where the form goes.
        handler: What takes it.
        back: The page that is shown after it.
    """

    def take(request: Request) -> Response:
        fields = fields_of(request.state.form)
        now = house.clock()
        tapped = Tapped(key=_key_of(path, fields), at=now, by=request.state.person, now=now)
        outcome = outcome_of(handler, fields, tapped)
        if outcome.word != "done" or fields.get("tell"):
            say(request, outcome.says)
        return back_to(back)

    return Route(path, take, methods=["POST"])


def _key_of(path: str, fields: Fields) -> str:
    """Return the key of a form without script: one showing of the page, one button; sent twice it is the same."""
    names = ("nonce", "line", "shelf", "of", "says", "part")
    said = "\n".join([path, *(fields.get(name) for name in names)])
    return hashlib.sha256(said.encode()).hexdigest()[:32]


def fields_of(form: FormData | None) -> Fields:
    """Return the text fields of a form."""
    pairs = [] if form is None else form.multi_items()
    return Fields((key, value) for key, value in pairs if isinstance(value, str))


def outcome_of(handler: Handler, fields: Fields, tapped: Tapped) -> Outcome:
    """Return what came of a tap; what is refused is said."""
    if not _KEY.fullmatch(tapped.key):
        return Outcome(word="refused", says="This tap has no key that can be kept; reload the page and tap again.")
    if tapped.now - tapped.at > OLDEST:
        return Outcome(word="refused", says="This tap is more than a week old; enter it on the batch's own page.")
    try:
        return handler(fields, tapped)
    except RefusedError as exc:
        return Outcome(word="refused", says=str(exc))


def routes_of(house: House, handlers: Mapping[str, Handler]) -> list[BaseRoute]:
    """Return the route of the taps that phones have kept."""

    def taps(request: Request) -> Response:
        said = request.state.json
        if not isinstance(said, dict) or not isinstance(said.get("taps"), list) or len(said["taps"]) > _MOST:
            return JSONResponse({"error": 'send {"sent_at": ms, "taps": [...]}'}, status_code=422)
        now = house.clock()
        outcomes: list[dict[str, str]] = []
        for each in said["taps"]:
            try:
                outcome = _take(each, said.get("sent_at"), now, request.state.person, handlers)
            except StoreError as exc:  # this one and those after it are sent again later
                return JSONResponse({"outcomes": outcomes, "error": str(exc)}, status_code=503)
            key = str(each.get("tap", ""))[:64] if isinstance(each, dict) else ""
            outcomes.append({"tap": key, "outcome": outcome.word, "says": outcome.says})
        return JSONResponse({"outcomes": outcomes})

    return [Route("/taps", taps, methods=["POST"])]


def _take(each: Any, sent_at: Any, now: datetime, person: str, handlers: Mapping[str, Handler]) -> Outcome:
    """Take one kept tap."""
    try:
        path, key, by = str(each["path"]), str(each["tap"]), str(each["by"])
        ago = timedelta(milliseconds=max(0.0, float(sent_at) - float(each["at"])))
        fields = Fields((str(name), str(value)) for name, value in each["fields"])
        at = now if ago < timedelta(seconds=2) else now - ago
    except (KeyError, TypeError, ValueError, OverflowError):
        return Outcome(word="refused", says="This tap cannot be read; nothing was entered.")
    handler = handlers.get(path)
    if handler is None:
        return Outcome(word="refused", says="This page takes no taps.")
    if by != person:
        return Outcome(word="refused", says=f"This was tapped by {by}; sign in as {by} to send it.")
    return outcome_of(handler, fields, Tapped(key=key, at=at, by=by, now=now))
