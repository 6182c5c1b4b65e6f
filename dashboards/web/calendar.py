"""The calendar of coming tasks: its file under a secret address, and the page that tells the address."""

from __future__ import annotations

import hashlib

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.outbox_sql import SqlOutbox
from dashboards.feedbook import FeedBook, pages_address
from dashboards.pages.calendar import build_calendar
from dashboards.web.house import House
from dashboards.web.show import back_to, say, show


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of the calendar."""
    book = FeedBook(SqlOutbox(house.ledger.engine), house.doors)

    def file(request: Request) -> Response:
        """Return the file; a phone that has it already is told so."""
        if not book.is_secret(request.path_params["secret"]):
            raise HTTPException(404)
        tick = house.lookout.moment(house.clock()).tick
        text = book.file(house.farm, tick, house.ledger.entries())
        mark = f'"{hashlib.sha256(text).hexdigest()[:20]}"'
        headers = {"ETag": mark, "Cache-Control": "private, no-cache"}
        if request.headers.get("if-none-match") == mark:
            return Response(status_code=304, headers=headers)
        return Response(text, media_type="text/calendar", headers=headers)

    def page(request: Request) -> Response:
        base, is_reachable = pages_address(house.farm, house.port)
        tick = house.lookout.moment(house.clock()).tick
        entries, _ = book.look(tick, house.ledger.entries())
        shown = build_calendar(house.farm, entries, address=base + book.path(), is_reachable=is_reachable)
        return show(request, house, "calendar.html", shown)

    def renew(request: Request) -> Response:
        book.renew(house.clock())
        say(request, "The calendar has a new address. Phones that follow the old one show nothing new any more.")
        return back_to("/calendar")

    return [
        Route("/calendar", page, methods=["GET"]),
        Route("/calendar", renew, methods=["POST"]),
        Route("/calendar/{secret}.ics", file, methods=["GET"]),
    ]
