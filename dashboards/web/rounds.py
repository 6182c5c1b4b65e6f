"""Rounds, the front page."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.rounds import build_rounds
from dashboards.web.house import House
from dashboards.web.show import show


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Rounds."""

    def rounds(request: Request) -> Response:
        return show(request, house, "rounds.html", build_rounds(house.lookout.moment(house.clock()).tick))

    return [Route("/", rounds)]
