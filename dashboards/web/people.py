"""Signing in under one's own name, and out."""

from __future__ import annotations

import logging
import math
from datetime import timedelta

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.people import SignIn
from dashboards.web.house import House
from dashboards.web.show import back_to, say, show
from dashboards.web.tries import Tries

log = logging.getLogger(__name__)


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of signing in and out."""
    tries = Tries()

    def page(request: Request, wrong: str = "", status: int = 200, chosen: str = "") -> Response:
        known = house.farm.people if house.is_open else house.doors.people()
        people = tuple(person for person in known if person in house.farm.people)
        shown = SignIn(
            people=people,
            chosen=chosen or request.state.person or next(iter(people), ""),
            is_open=house.is_open,
            wrong=wrong,
            signed_in=request.state.person,
        )
        return show(request, house, "sign_in.html", shown, status=status)

    def sign_in(request: Request) -> Response:
        return page(request)

    def enter(request: Request) -> Response:
        form = request.state.form or {}
        token = str(form.get("token", "")).strip()
        if token:
            return _by_token(request, token)
        who, password = str(form.get("who", "")), str(form.get("password", ""))
        if house.is_open:
            if who not in house.farm.people:
                return page(request, "Nobody of that name is in farm.toml.", 422)
            request.state.session["who"] = who
            return back_to(_next(request))
        return _by_password(request, who, password)

    def _by_password(request: Request, who: str, password: str) -> Response:
        address = request.client.host if request.client else "-"
        wait = tries.begin(who, address, house.clock())
        if wait > timedelta():
            minutes = math.ceil(wait / timedelta(minutes=1))
            log.warning("sign-in.paused who=%s from=%s", who[:40], address)
            return page(request, f"Too many wrong tries. Try again in {minutes} min.", 429, who)
        if who not in house.farm.people or not house.doors.is_right(who, password):
            log.warning("sign-in.wrong who=%s from=%s", who[:40], address)
            return page(request, "Name and password do not belong together.", 403, who)
        tries.forget(who, address)
        target = _next(request)
        request.state.session.clear()
        request.state.session.update(who=who, mark=house.doors.mark_of(who))
        return back_to(target)

    def _by_token(request: Request, token: str) -> Response:
        address = request.client.host if request.client else "-"
        if tries.begin(f"token from {address}", address, house.clock()) > timedelta():
            return page(request, "Too many wrong tries. Try again in some minutes.", 429)
        known = house.doors.token(token)
        if known is None:
            return page(request, "This token does not hold, or was ended.", 403)
        tries.forget(f"token from {address}", address)
        target = _next(request)
        request.state.session.clear()
        request.state.session["token"] = known.name
        return back_to(target)

    def sign_out(request: Request) -> Response:
        request.state.session.clear()
        say(request, "Signed out.")
        return back_to("/sign-in")

    return [
        Route("/sign-in", sign_in, methods=["GET"]),
        Route("/sign-in", enter, methods=["POST"]),
        Route("/sign-out", sign_out, methods=["POST"]),
    ]


def _next(request: Request) -> str:
    """Return the page that somebody wanted before they had to sign in; only ever one of ours."""
    target = str(request.state.session.pop("next", "/"))
    return target if target.startswith("/") and not target.startswith(("//", "/\\")) else "/"
