"""The pages as one Starlette app: every group of pages is a module with ``routes(house)``."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from importlib import import_module
from importlib.resources import files

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from dashboards.pages.sorry import Sorry
from dashboards.web.gate import Gate
from dashboards.web.house import House
from dashboards.web.show import show
from dashboards.web.taps import Handler, routes_of
from monitor.errors import NotFoundError, RefusedError, TraywardenError

log = logging.getLogger(__name__)

GROUPS = (
    "rounds",
    "racks",
    "batch",
    "sensors",
    "people",
    "onetap",
    "events",
    "calendar",
    "labels",
    "api",
    "sow",
    "alarms",
    "ahead",
    "lookback",
    "season",
)
"""Modules of dashboards.web, each with ``routes(house) -> list[BaseRoute]``; one whose forms may be kept in a phone
and sent later has ``handlers(house) -> dict[path, Handler]`` too (see taps.py)."""

_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_FOR_EVER = {"Cache-Control": "public, max-age=31536000, immutable"}


def static_file(request: Request) -> Response:
    """Return a file of dashboards/static; its address changes with its content, so it may be kept for ever."""
    name = request.path_params["name"]
    path = files("dashboards") / "static" / name
    suffix = name[name.rfind(".") :]
    if suffix not in _KINDS or not path.is_file():
        raise HTTPException(404)
    return Response(path.read_bytes(), media_type=_KINDS[suffix], headers=_FOR_EVER)


def favicon(_request: Request) -> Response:
    """Return the icon to browsers that ask for it unasked, on pages to print."""
    path = files("dashboards") / "static" / "icon.svg"
    return Response(path.read_bytes(), media_type="image/svg+xml", headers={"Cache-Control": "public, max-age=86400"})


def build_app(house: House, beside: Sequence[BaseRoute] = ()) -> Starlette:
    """Return the app of one farm.

    Args:
        house: What the pages know.
        beside: Routes that have a lock of their own and lie before the gate: what devices push.
    """
    routes: list[BaseRoute] = [Route("/static/{name}", static_file), Route("/favicon.ico", favicon)]
    handlers: dict[str, Handler] = {}
    for group in GROUPS:
        module = import_module(f"dashboards.web.{group}")
        routes += module.routes(house)
        if hasattr(module, "handlers"):
            handlers |= module.handlers(house)
    routes += routes_of(house, handlers)

    def refused(request: Request, exc: Exception) -> Response:
        """Say what was wrong with a wish, and how to mend it."""
        if isinstance(exc, HTTPException):
            status, why = exc.status_code, "There is no such page." if exc.status_code == 404 else str(exc.detail)
        elif isinstance(exc, RefusedError):
            status, why = (404 if isinstance(exc, NotFoundError) and request.method == "GET" else 422), str(exc)
        else:
            log.error("page.failed path=%s why=%s", request.url.path, exc)
            status, why = 503, f"{exc}. Nothing was changed; try again."
        if _wants_json(request):
            return JSONResponse({"error": why}, status_code=status)
        return show(request, house, "sorry.html", Sorry(status=status, why=why), status=status)

    pages = Starlette(
        routes=routes,
        middleware=[Middleware(GZipMiddleware, minimum_size=700), Middleware(Gate, house=house)],
        exception_handlers={HTTPException: refused, TraywardenError: refused},
    )
    return Starlette(routes=[*beside, Mount("/", app=pages)]) if beside else pages


def _wants_json(request: Request) -> bool:
    """Tell whether a program asked."""
    return request.url.path.startswith("/api/") or "application/json" in request.headers.get("accept", "")
