"""Tray labels and the wall sheet, ready to print."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from alerts.outbox_sql import SqlOutbox
from dashboards import labels, sheet
from dashboards.feedbook import pages_address
from dashboards.pages.labels import build_labels
from dashboards.sheetbook import keep_sheet
from dashboards.web.house import House
from dashboards.web.show import show
from monitor.errors import RefusedError


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of labels and wall sheet."""

    def page(request: Request) -> Response:
        tick = house.lookout.moment(house.clock()).tick
        chosen = request.query_params.getlist("batch")
        _, is_reachable = pages_address(house.farm, house.port)
        return show(request, house, "labels.html", build_labels(tick, chosen, is_reachable=is_reachable))

    def printed(request: Request) -> Response:
        asked = request.query_params
        base, is_reachable = pages_address(house.farm, house.port)
        size = labels.label_sheet(asked.get("size", ""))
        wanted = [(batch, _number(asked.get(f"n-{batch}", ""), "labels")) for batch in asked.getlist("batch")]
        if not wanted:
            raise RefusedError("tick a batch: labels are printed for those that are ticked")
        tick = house.lookout.moment(house.clock()).tick
        skip = _number(asked.get("skip", ""), "places") or 0
        made = labels.labels_for(wanted, size, tick, base=base, skip=skip, reachable=is_reachable)
        return HTMLResponse(labels.render(made, style=f"/labels/style/{size.id}.css"))

    def label_style(request: Request) -> Response:
        text = labels.label_css(labels.label_sheet(request.path_params["size"]))
        return Response(text, media_type="text/css")

    def wall(request: Request) -> Response:
        now = house.clock()
        days = _number(str((request.state.form or {}).get("days", "7")), "days") or 7
        if not 1 <= days <= sheet.MOST_DAYS:
            raise RefusedError(f"{days} days: a wall sheet has from 1 to {sheet.MOST_DAYS}")
        made = sheet.build_sheet(
            house.farm, house.profiles, house.ledger.entries(), now=now, days=days, scales=house.scales
        )
        keep_sheet(SqlOutbox(house.ledger.engine), made, now)
        return HTMLResponse(sheet.render(made, style="/labels/wall.css"))

    def wall_style(request: Request) -> Response:
        return Response(sheet.sheet_css(), media_type="text/css")

    return [
        Route("/labels", page, methods=["GET"]),
        Route("/labels/print", printed, methods=["GET"]),
        Route("/labels/style/{size}.css", label_style, methods=["GET"]),
        Route("/labels/wall", wall, methods=["POST"]),
        Route("/labels/wall.css", wall_style, methods=["GET"]),
    ]


def _number(said: str, what: str) -> int | None:
    """Return a whole number that a form holds; None where it is empty.

    Raises:
        RefusedError: It is no whole number.
    """
    text = said.strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 7):
        raise RefusedError(f"{said!r} is no number of {what}; give a whole number")
    return int(text)
