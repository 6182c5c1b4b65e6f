"""``POST /ingest``: devices push their readings over HTTP; 202 means that they are on disk, and nothing less does.

Source: [RFC9110] sections 10.2.3 (Retry-After), 11.6.1 (401) and 15.5.14 (413); [RFC6585] section 4 (429);
[RFC6750] section 2.1 (bearer tokens).
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import math
import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from collectors.intake import Intake
from collectors.pipeline import UNCLAIMED, Message, Prepared
from collectors.pushed import JSON, MOST_MESSAGES, SENML, media_type, messages_of
from monitor.clock import Clock
from monitor.errors import FeedError, PayloadError, StoreError
from monitor.feeds import PUSHED, Device

log = logging.getLogger(__name__)

SCHEMA = "traywarden.ingest/1"
PATH = "/ingest"
MOST_BYTES = 1_000_000
_LEAST_TOKEN = 20
_WAITING = 64
_BURST = 10.0
"""How many requests a device may make at once, after a rest."""
_AGAIN_S = 30


def token_of(device: Device) -> str:
    """Return a device's token from its file or environment variable; never from farm.toml.

    Raises:
        FeedError: There is none, or one that could be guessed.
    """
    where = str(device.token_file or device.token_env)
    try:
        file = device.token_file
        read = os.environ[device.token_env or ""] if file is None else file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError, KeyError) as exc:
        raise FeedError(f"device {device.id}: its token in {where} cannot be read: {type(exc).__name__}") from exc
    token = read.strip()
    if len(token) < _LEAST_TOKEN:
        raise FeedError(
            f"device {device.id}: its token in {where} has under {_LEAST_TOKEN} characters and could be guessed; "
            "make one with: openssl rand -hex 24"
        )
    return token


def _digest(token: str) -> bytes:
    """Return what is compared in place of a token, so that no comparison tells how much of one is right."""
    return hashlib.sha256(token.encode()).digest()


class Pace:
    """How often one device may push: so many requests a minute, some of them at once."""

    def __init__(self, per_minute: int) -> None:
        """Begin rested."""
        self._per_s = per_minute / 60
        self._most = min(_BURST, per_minute)
        self._left, self._at_s = self._most, -math.inf

    def wait_s(self, now_s: float) -> float:
        """Count one request, and return 0; or how long to wait for the next, and count nothing. [s]."""
        self._left = min(self._most, self._left + min(now_s - self._at_s, 1e9) * self._per_s)
        self._at_s = now_s
        if self._left < 1:
            return (1 - self._left) / self._per_s
        self._left -= 1
        return 0.0


class PushDoor:
    """Where devices push; it knows their tokens and takes what they send to the intake."""

    name = "push"

    def __init__(
        self,
        devices: Iterable[Device],
        intake: Intake,
        *,
        clock: Clock,
        running_s: Callable[[], float] = time.monotonic,
        waiting: int = _WAITING,
    ) -> None:
        """Take the devices, where readings go, and a clock that nobody sets, for the pace.

        A device whose token cannot be read is left out and said so; the others are let in.
        """
        self._intake, self._clock, self._running_s = intake, clock, running_s
        self._by_token: dict[bytes, Device] = {}
        self._pace: dict[str, Pace] = {}
        self._room, self._waiting = waiting, 0
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="push-writer")
        self._troubles: list[str] = []
        for device in devices:
            self._let_in(device)

    def _let_in(self, device: Device) -> None:
        """Learn a device's token."""
        try:
            digest = _digest(token_of(device))
            if digest in self._by_token:
                raise FeedError(f"device {device.id}: device {self._by_token[digest].id} has the same token")
        except FeedError as exc:
            self._troubles.append(str(exc))
            log.error("push.left_out why=%s", exc)
            return
        self._by_token[digest] = device
        self._pace[device.id] = Pace(device.per_minute)

    @property
    def trouble(self) -> str | None:
        """Return which devices are left out, and why; None: all are let in."""
        return "; ".join(self._troubles) or None

    def close(self) -> None:
        """Store what is being stored, and take no more; a second call does nothing."""
        self._writer.shutdown(wait=True)

    # -- one request ----------------------------------------------------------------------------------------

    async def answer(self, request: Request) -> Response:
        """Take one request in; see the module for what each answer means."""
        device = self._device_of(request.headers.get("authorization", ""))
        if device is None:
            return _refused(401, "no token that is known; send it as: Authorization: Bearer TOKEN", bearer=True)
        wait_s = self._pace[device.id].wait_s(self._running_s())
        if wait_s:
            return _refused(429, f"device {device.id} may push {device.per_minute} times a minute", again_s=wait_s)
        if self._waiting >= self._room:
            return _refused(429, "too many requests wait for the disk", again_s=1)
        self._waiting += 1
        try:
            return await self._take(request, device)
        finally:
            self._waiting -= 1

    def _device_of(self, authorization: str) -> Device | None:
        """Return whose token a header holds, or None."""
        scheme, _, token = authorization.partition(" ")
        return self._by_token.get(_digest(token.strip())) if scheme.casefold() == "bearer" else None

    async def _take(self, request: Request, device: Device) -> Response:
        """Read, store and answer."""
        kind = media_type(request.headers.get("content-type", ""))
        if kind not in (SENML, JSON) or request.headers.get("content-encoding", "identity") != "identity":
            return _refused(415, f"send {SENML} or {JSON}, not compressed")
        body = await _body(request)
        if body is None:
            return _refused(413, f"over {MOST_BYTES} bytes; send several smaller batches")
        rest = request.path_params.get("rest", "").strip("/")
        try:
            messages = messages_of(
                body, kind, topic=f"{PUSHED}{device.id}{'/' if rest else ''}{rest}", now=self._clock()
            )
        except PayloadError as exc:
            return _refused(400, str(exc))
        if len(messages) > MOST_MESSAGES:
            return _refused(413, f"{len(messages)} messages; a batch has {MOST_MESSAGES} at most")
        try:
            # shielded: a device that hangs up meanwhile does not stop what is being written
            done = await asyncio.shield(
                asyncio.get_running_loop().run_in_executor(self._writer, self._intake.take, messages)
            )
        except StoreError as exc:
            log.error("push.not_stored device=%s messages=%s why=%s", device.id, len(messages), exc)
            return _refused(503, "the readings cannot be stored now; nothing of it was kept", again_s=_AGAIN_S)
        return _said(messages, done)


async def _body(request: Request) -> bytes | None:
    """Return a request's body, or None where it is too large; no more than that is ever read."""
    length = request.headers.get("content-length", "0")
    if length.isascii() and length.isdigit() and int(length) > MOST_BYTES:
        return None
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            return None
    return bytes(body)


def _said(messages: list[Message], done: Prepared) -> Response:
    """Return the answer to what was stored, with what was set aside; 422 where nothing of it could be used."""
    place = {id(message): number for number, message in enumerate(messages)}
    aside = [{"message": place[id(each)], "why": why} for each, why in done.aside if id(each) in place]
    unclaimed = done.dropped.get(UNCLAIMED, 0)
    facts: dict[str, Any] = {"schema": SCHEMA, "messages": len(messages), "set_aside": aside}
    if unclaimed:
        return JSONResponse(
            {**facts, "error": f"no sensor of farm.toml has the topic {messages[0].topic}"}, status_code=422
        )
    if not len(done.block) and len(aside) == len(messages):
        return JSONResponse({**facts, "error": aside[0]["why"]}, status_code=422)
    return JSONResponse(facts, status_code=202)


def _refused(status: int, why: str, *, again_s: float | None = None, bearer: bool = False) -> Response:
    """Return a refusal with its reason, and when to try again."""
    headers: dict[str, str] = {}
    if again_s is not None:
        headers["Retry-After"] = str(max(1, math.ceil(again_s)))
    if bearer:
        headers["WWW-Authenticate"] = "Bearer"
    return JSONResponse({"schema": SCHEMA, "error": why}, status_code=status, headers=headers)


def push_routes(door: PushDoor) -> list[Route]:
    """Return the routes of a door; it needs no page, session or log-in beside its tokens."""

    async def answer(request: Request) -> Response:
        try:
            return await door.answer(request)
        except ClientDisconnect:
            return _refused(400, "the request ended before its body did")

    return [
        Route(PATH, answer, methods=["POST"]),
        Route(PATH + "/{rest:path}", answer, methods=["POST"]),
    ]
