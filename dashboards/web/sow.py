"""The Sow page: typed, looked at, saved."""

from __future__ import annotations

import re
import secrets

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.plain import plain, upper
from dashboards.pages.sow import SowForm, SowPage, build_sow, read_form, sow_from, when_of
from dashboards.web.deeds import desk_of, note
from dashboards.web.house import House
from dashboards.web.show import back_to, show
from monitor.clock import local_day
from monitor.desk import Deed, Desk
from monitor.errors import RefusedError


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Sow."""

    def desk_for(request: Request, form: SowForm) -> Desk:
        now = house.clock()
        return desk_of(house, request.state.person, when_of(form, now, local_day(now, house.farm.zone)))

    def page(request: Request) -> Response:
        asked = request.query_params
        form = read_form(list(asked.multi_items()))
        noted = asked.get("noted", "") if re.fullmatch(r"\d{1,9}", asked.get("noted", "")) else ""
        return show(request, house, "sow.html", _built(request, form, asked="look" in asked, noted=noted))

    def _built(request: Request, form: SowForm, *, asked: bool, noted: str = "", wrong: str = "") -> SowPage:
        try:
            desk = desk_for(request, form)
        except RefusedError as exc:
            desk, wrong = desk_of(house, request.state.person), upper(plain(str(exc)))
        return build_sow(desk, form, asked=asked, nonce=secrets.token_hex(16), noted=noted, wrong=wrong)

    def save(request: Request) -> Response:
        posted = request.state.form
        pairs = [(name, value) for name, value in posted.multi_items() if isinstance(value, str)] if posted else []
        form = read_form(pairs)
        tap = dict(pairs).get("nonce", "")
        made: list[str] = []

        def work(desk: Desk) -> Deed:
            deed, _, batch = sow_from(desk, form)
            made.append(batch)
            return deed

        try:
            is_new = note(house, request, desk_for(request, form), work, tap=tap or None)
        except RefusedError as exc:
            shown = _built(request, form, asked=False, wrong=upper(plain(str(exc))))
            return show(request, house, "sow.html", shown, status=422)
        return back_to(f"/sow?noted={made[0]}" if is_new else "/sow")

    return [Route("/sow", page, methods=["GET"]), Route("/sow", save, methods=["POST"])]
