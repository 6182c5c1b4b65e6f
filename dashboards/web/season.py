"""Season and Trace over the web: how many batches came out together, and the way of one lot or batch."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.season import TablesPage, build_season, build_trace
from dashboards.seasonmake import season_days, season_made, trace_made
from dashboards.seasonpage import to_csv
from dashboards.web.house import House
from dashboards.web.show import show
from monitor.clock import local_day
from monitor.errors import RefusedError


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Season and Trace."""

    def season(request: Request) -> Response:
        return show(request, house, "tables.html", _season(request, house))

    def season_csv(request: Request) -> Response:
        return _csv("season", _season(request, house))

    def trace(request: Request) -> Response:
        return show(request, house, "tables.html", _trace(request, house))

    def trace_csv(request: Request) -> Response:
        return _csv("trace", _trace(request, house))

    return [
        Route("/season", season, methods=["GET"]),
        Route("/season/tables.csv", season_csv, methods=["GET"]),
        Route("/trace", trace, methods=["GET"]),
        Route("/trace/tables.csv", trace_csv, methods=["GET"]),
    ]


def _season(request: Request, house: House) -> TablesPage:
    """Return the season that is asked for."""
    tick = house.lookout.moment(house.clock()).tick
    asked = {name: request.query_params.get(name, "").strip() for name in ("from", "to")}
    from_on, to_on = season_days(asked["from"], asked["to"], local_day(tick.now, house.farm.zone))
    found = season_made(house.farm, house.profiles, tick.batches, from_on, to_on)
    return build_season(found, tick, from_on, to_on)


def _trace(request: Request, house: House) -> TablesPage:
    """Return the way of the lot or batch that is asked for."""
    tick = house.lookout.moment(house.clock()).tick
    said = {name: request.query_params.get(name, "").strip() for name in ("lot", "batch")}
    asked = {name: value for name, value in said.items() if value}
    if len(asked) != 1:
        raise RefusedError("say one of them: a seed lot, or a batch")
    found = trace_made(tick.entries, tick.batches, tick.now, lot=asked.get("lot"), batch=asked.get("batch"))
    return build_trace(found, tick, asked)


def _csv(name: str, page: TablesPage) -> Response:
    """Return tables as a file."""
    headers = {"Content-Disposition": f'attachment; filename="{name}.csv"'}
    return Response(to_csv(page.tables), media_type="text/csv; charset=utf-8", headers=headers)
