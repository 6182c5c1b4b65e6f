"""The page of a link in a nudge: opening it changes nothing, one tap on it answers one task."""

from __future__ import annotations

import hashlib

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.onetap import build_one_tap
from dashboards.pages.walk import AT
from dashboards.web.house import House
from dashboards.web.links import Link, read_link
from dashboards.web.rounds import answer_one
from dashboards.web.show import show
from dashboards.web.taps import Outcome, Tapped, fields_of, outcome_of
from monitor.errors import NotFoundError, RefusedError


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of one-tap links."""

    def page(request: Request, link: Link, says: str = "") -> Response:
        moment = house.lookout.moment(house.clock())
        action = request.url.path
        shown = build_one_tap(link.task, moment.tasks, moment.tick, person=link.person, action=action, says=says)
        return show(request, house, "one_tap.html", shown)

    def look(request: Request) -> Response:
        return page(request, _link(house, request))

    def answer(request: Request) -> Response:
        link = _link(house, request)
        fields = fields_of(request.state.form)
        line, now = fields.get("line"), house.clock()
        if line.partition(AT)[0] != link.task:
            raise RefusedError("This link answers another task; nothing was entered.")
        said = "\n".join([request.path_params["token"], line, fields.get("says"), fields.get("part")])
        key = hashlib.sha256(said.encode()).hexdigest()[:32]
        tapped = Tapped(key=key, at=now, by=link.person, now=now)
        outcome: Outcome = outcome_of(lambda given, by: answer_one(house, given, by), fields, tapped)
        return page(request, link, outcome.says)

    return [
        Route("/tap/{token}", look, methods=["GET"]),
        Route("/tap/{token}", answer, methods=["POST"]),
    ]


def _link(house: House, request: Request) -> Link:
    """Return what the link of a request lets somebody do.

    Raises:
        NotFoundError: We did not make it, or the person is gone.
        RefusedError: Its time is over.
    """
    link = read_link(house.doors, request.path_params["token"])
    if link is None or link.person not in house.farm.people:
        raise NotFoundError("This link is none of ours, or was cut short on its way; open the round instead.")
    if house.clock() >= link.until:
        raise RefusedError("This link is more than a day old; open the round instead.")
    return link
