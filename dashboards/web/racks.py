"""Racks: the room as it stands."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.racks import build_racks
from dashboards.web.house import House
from dashboards.web.readings import newest
from dashboards.web.show import show


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Racks."""

    def racks(request: Request) -> Response:
        now = house.clock()
        tick = house.lookout.moment(now).tick
        page = build_racks(tick, newest(house), house.live, house.alarms().values(), now=now)
        return show(request, house, "racks.html", page)

    return [Route("/racks", racks)]
