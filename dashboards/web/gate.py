"""The gate before every page: host and origin, who is acting, forms and their tokens, headers, size.

Pure ASGI, so that an open event stream passes through it untouched. What pages find on ``request.state``:

- ``person``: id of who acts, or None where nobody signed in (such a request only reaches the sign-in pages);
- ``may_write``: whether entries may be written;
- ``session``: a dict kept in the signed cookie; changes are kept with the answer;
- ``form``: the form that was posted, already read and checked (else None);
- ``json``: the JSON object that was posted (else None);
- ``via``: ``open``, ``password`` or ``token``.
"""

from __future__ import annotations

import json
import logging
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from itsdangerous import BadSignature, URLSafeTimedSerializer
from starlette.datastructures import FormData, Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboards.web.house import House
from monitor.errors import StoreError

log = logging.getLogger(__name__)

COOKIE = "traywarden"
SESSION_S = 30 * 24 * 3600
"""How long somebody stays signed in. [s]"""
MOST_BYTES = 12 * 1024 * 1024
"""The largest body that is read: a photo from a phone. Our choice."""
OPEN_TO_ALL = ("/static/", "/sign-in", "/tap/", "/calendar/", "/favicon.ico", "/openapi.json")
"""Paths that nobody signs in for; the last ones carry a secret of their own, or hold none."""
_SAFE = ("GET", "HEAD", "OPTIONS")
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")
POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Refused(Exception):
    """A request that goes no further."""

    status: HTTPStatus
    why: str


def masked(token: str) -> str:
    """Return a form token under a mask of its own, so that no two pages hold the same letters."""
    mask = secrets.token_bytes(16)
    hidden = bytes(a ^ b for a, b in zip(bytes.fromhex(token), mask, strict=True))
    return (mask + hidden).hex()


def unmasked(said: str) -> str:
    """Return the form token under a mask; empty where it is none."""
    try:
        raw = bytes.fromhex(said)
    except ValueError:
        return ""
    if len(raw) != 32:
        return ""
    return bytes(a ^ b for a, b in zip(raw[:16], raw[16:], strict=True)).hex()


class Gate:
    """The middleware round the whole app."""

    def __init__(self, app: ASGIApp, *, house: House) -> None:
        """Stand before an app."""
        self._app, self._house = app, house
        pages = house.farm.pages
        url = urlsplit(pages.url) if pages.url else None
        self._secure = pages.cert_file is not None or (url is not None and url.scheme == "https")
        self._netloc = url.netloc.casefold() if url is not None else None
        own = {"localhost", "127.0.0.1", "::1", pages.address, *pages.names}
        self._hosts = own | ({url.hostname} if url is not None and url.hostname else set())

    def _signer(self) -> URLSafeTimedSerializer:
        """Return what signs sessions; the key may have been changed by another process."""
        return URLSafeTimedSerializer(self._house.doors.key, salt="session")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive)
        state = scope.setdefault("state", {})
        state.update(person=None, may_write=False, session={}, form=None, json=None, via="open")
        kept: dict[str, Any] = {}

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                is_secure = self._secure or scope.get("scheme") == "https"
                self._dress(MutableHeaders(scope=message), state["session"], kept, is_secure=is_secure)
            await send(message)

        try:
            self._check_host(request)
            kept.update(self._read_session(request))
            state["session"].update(kept)
            self._settle_person(request)
            if request.method not in _SAFE:
                receive = await self._read_body(request)
                self._check_wish(request)
            answer = self._turned_away(request)
        except _Refused as exc:
            answer = self._refusal(request, exc)
        except StoreError as exc:  # who is let in cannot be read: nobody is
            log.error("gate.failed why=%s", exc)
            answer = self._refusal(request, _Refused(status=HTTPStatus.SERVICE_UNAVAILABLE, why=str(exc)))
        if answer is not None:
            await answer(scope, receive, send_on)
            return
        try:
            await self._app(scope, receive, send_on)
        finally:
            if isinstance(state["form"], FormData):
                await state["form"].close()

    def _read_session(self, request: Request) -> dict[str, Any]:
        """Return what the cookie holds, if we signed it and it is not too old."""
        cookie = request.cookies.get(COOKIE)
        if not cookie:
            return {}
        try:
            found = self._signer().loads(cookie, max_age=SESSION_S)
        except BadSignature:
            return {}
        return found if isinstance(found, dict) else {}

    def _check_host(self, request: Request) -> None:
        """Refuse a host name that is not ours on an open loopback address: another site's name may point there."""
        said = request.headers.get("host", "")
        host = urlsplit(f"//{said}").hostname or ""
        loopback = ip_address(self._house.farm.pages.address).is_loopback
        if loopback and host not in self._hosts:
            raise _Refused(
                status=HTTPStatus.MISDIRECTED_REQUEST,
                why=f"These pages are not served under the name {host!r}. If they are meant to be, add it to names "
                "under [pages] in farm.toml.",
            )
        if loopback and not self._house.farm.pages.behind_proxy and _came_by_proxy(request.headers):
            raise _Refused(
                status=HTTPStatus.MISDIRECTED_REQUEST,
                why="This request came through a proxy. Set behind_proxy = true under [pages] in farm.toml, and give "
                "everybody a password with `traywarden password`.",
            )

    def _settle_person(self, request: Request) -> None:
        """Settle who acts: by a token shown, by the session, or by being at this machine."""
        state, house = request.state, self._house
        session: dict[str, Any] = state.session
        header = request.headers.get("authorization", "")
        shown = header.removeprefix("Bearer ").strip() if header.startswith("Bearer ") else None
        if shown is not None:
            token = house.doors.token(shown)
            if token is None:
                raise _Refused(status=HTTPStatus.UNAUTHORIZED, why="This token does not hold, or was ended.")
            state.person, state.may_write, state.via = token.person or token.name, token.kind == "device", "token"
            return
        if session.get("token"):
            token = house.doors.token_named(str(session["token"]))
            if token is not None:
                state.person, state.may_write, state.via = token.person or token.name, token.kind == "device", "token"
            return
        who = session.get("who")
        if house.is_open:
            state.person = who if who in house.farm.people else next(iter(house.farm.people))
            state.may_write = True
        elif who in house.farm.people and session.get("mark") and session["mark"] == house.doors.mark_of(str(who)):
            state.person, state.may_write, state.via = who, True, "password"

    async def _read_body(self, request: Request) -> Receive:
        """Read a body of bounded size, and its form or JSON; return a receive that gives it again."""
        parts, size = [], 0
        async for chunk in request.stream():
            size += len(chunk)
            if size > MOST_BYTES:
                raise _Refused(
                    status=HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                    why=f"That is larger than {MOST_BYTES // 2**20} MB; take a smaller photo.",
                )
            parts.append(chunk)
        body = b"".join(parts)
        left = [{"type": "http.request", "body": body, "more_body": False}]

        async def again() -> Message:
            return left.pop() if left else {"type": "http.disconnect"}

        async def once() -> Message:
            return {"type": "http.request", "body": body, "more_body": False}

        kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
        if kind in _FORMS:
            request.state.form = await Request(request.scope, once).form(max_files=4, max_fields=4_000)
        elif kind == "application/json":
            try:
                request.state.json = json.loads(body)
            except ValueError as exc:
                raise _Refused(status=HTTPStatus.BAD_REQUEST, why=f"That is no JSON: {exc}") from exc
        return again

    def _check_wish(self, request: Request) -> None:
        """Refuse what another site's page, or somebody without leave, wants changed."""
        state = request.state
        if not self._is_own_origin(request):
            raise _Refused(status=HTTPStatus.FORBIDDEN, why="This came from another site's page; nothing was changed.")
        by_header = request.headers.get("authorization", "").startswith("Bearer ")
        path = request.url.path
        if not by_header and not path.startswith("/tap/"):
            plain_json = state.json is not None and state.via == "open" and self._house.is_open
            said = request.headers.get("x-traywarden-form") or (str((state.form or {}).get("csrf", "")))
            wanted = str(state.session.get("csrf", ""))
            if not plain_json and not (wanted and secrets.compare_digest(unmasked(said), wanted)):
                raise _Refused(
                    status=HTTPStatus.FORBIDDEN,
                    why="This form is too old, or the browser keeps no cookies. Go back, reload the page, try again.",
                )
        if state.person is not None and not state.may_write and not path.startswith(("/sign-", "/tap/")):
            raise _Refused(status=HTTPStatus.FORBIDDEN, why="You may look, and not write: this token is read-only.")

    def _is_own_origin(self, request: Request) -> bool:
        """Tell whether a wish comes from our own pages, or from no browser at all."""
        site = request.headers.get("sec-fetch-site")
        if site is not None and site not in ("same-origin", "none"):
            return False
        origin = request.headers.get("origin")
        if origin is None:
            return True
        return urlsplit(origin).netloc.casefold() in (request.headers.get("host", "").casefold(), self._netloc)

    def _turned_away(self, request: Request) -> Response | None:
        """Return the answer to somebody who must sign in first; None: go on."""
        path = request.url.path
        if request.state.person is not None or path.startswith(OPEN_TO_ALL):
            return None
        if path.startswith(("/api/", "/metrics", "/events", "/taps")):
            return JSONResponse(
                {"error": "sign in, or show a token: Authorization: Bearer tw_..."},
                status_code=401,
                headers={"WWW-Authenticate": "Bearer"},
            )
        if request.method in _SAFE:
            target = path + (f"?{request.url.query}" if request.url.query else "")
            request.state.session["next"] = target
        return RedirectResponse("/sign-in", status_code=303)

    def _refusal(self, request: Request, exc: _Refused) -> Response:
        """Return the answer to what is refused."""
        if request.url.path.startswith("/api/") or "application/json" in request.headers.get("accept", ""):
            return JSONResponse({"error": exc.why}, status_code=exc.status)
        return PlainTextResponse(exc.why + "\n", status_code=exc.status)

    def _dress(
        self, headers: MutableHeaders, session: Mapping[str, Any], kept: Mapping[str, Any], *, is_secure: bool
    ) -> None:
        """Put the headers on that every answer has, and the session's cookie where it changed."""
        headers["Content-Security-Policy"] = POLICY
        headers["X-Content-Type-Options"] = "nosniff"
        headers["X-Frame-Options"] = "DENY"
        headers["Referrer-Policy"] = "same-origin"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        headers["Permissions-Policy"] = "camera=(self), geolocation=(), microphone=()"
        headers.setdefault("Cache-Control", "no-store")
        if is_secure:
            headers["Strict-Transport-Security"] = "max-age=31536000"
        if dict(session) == dict(kept):
            return
        value = self._signer().dumps(dict(session)) if session else ""
        age = SESSION_S if session else 0
        secure = "; Secure" if is_secure else ""
        headers.append("Set-Cookie", f"{COOKIE}={value}; Max-Age={age}; Path=/; HttpOnly; SameSite=Lax{secure}")


def _came_by_proxy(headers: Headers) -> bool:
    """Tell whether a proxy has left its mark on a request."""
    return any(name in headers for name in ("x-forwarded-for", "x-forwarded-host", "forwarded", "x-real-ip", "via"))


def form_token(session: dict[str, Any]) -> str:
    """Return a form token of a session, masked anew; the session is given one at the first call."""
    return masked(session.setdefault("csrf", secrets.token_hex(16)))
