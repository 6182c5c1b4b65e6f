"""The Alarms page, and the answers to alarms."""

from __future__ import annotations

import secrets
from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.alarmbook import (
    OPEN,
    accept_deed,
    back_in_service_deed,
    heard_deed,
    named,
    rest_deed,
    shelve_deed,
    shown,
    unaccept_deed,
    unshelve_deed,
)
from alerts.alarms import Alarm
from dashboards.pages.alarms import as_said, build_alarms
from dashboards.pages.plain import plain, plain_lines, upper
from dashboards.web.deeds import desk_of
from dashboards.web.house import House
from dashboards.web.show import show
from dashboards.web.taps import Fields, Handler, Outcome, Tapped, plain_route
from dashboards.web.writing import TapKnownError, write
from monitor.desk import Deed, Desk
from monitor.errors import RefusedError

SEEN = "/alarms/seen"
Known = dict[str, Alarm]


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Alarms."""

    def page(request: Request) -> Response:
        now = house.clock()
        shown_ = build_alarms(house.farm, house.alarms(), house.ledger.entries(), now=now, nonce=secrets.token_hex(8))
        return show(request, house, "alarms.html", shown_)

    plain_ones = [plain_route(house, path, handler, back="/alarms") for path, handler in _all(house).items()]
    return [Route("/alarms", page, methods=["GET"]), *plain_ones]


def handlers(house: House) -> dict[str, Handler]:
    """Return what takes the taps that a phone may keep: a word on an alarm."""
    return {SEEN: _all(house)[SEEN]}


def _all(house: House) -> dict[str, Handler]:
    """Return what takes every form of the page."""
    return {
        SEEN: _handler(house, _seen),
        "/alarms/aside": _handler(house, _aside),
        "/alarms/accept": _handler(house, _accept),
        "/alarms/back": _handler(house, _back),
        "/alarms/rest": _handler(house, _rest),
    }


Work = Callable[[Desk, Known, Fields], Deed]


def _handler(house: House, work: Work) -> Handler:
    """Return a handler that writes down what is worked out from a form."""

    def take(fields: Fields, tapped: Tapped) -> Outcome:
        desk = desk_of(house, tapped.by)
        desk.at = tapped.at
        alarms = as_said(house.alarms(), desk.entries, tapped.now)
        deed = work(desk, shown(alarms.values(), tapped.now), fields)
        if not deed.entries:
            return Outcome(word="already", says="Nothing waits for a word any more.")
        try:
            write(house, deed.entries, tap=tapped.key)
        except TapKnownError:
            return Outcome(word="done", says="Noted already.")
        said = (*deed.said, *desk.warnings, *desk.care)
        return Outcome(word="done", says=" ".join(plain_lines(said)))

    def refusing(fields: Fields, tapped: Tapped) -> Outcome:
        try:
            return take(fields, tapped)
        except RefusedError as exc:
            return Outcome(word="refused", says=upper(plain(str(exc))))

    return refusing


def _seen(desk: Desk, known: Known, fields: Fields) -> Deed:
    """Say that somebody has seen one alarm, or all that wait."""
    if fields.get("line") == "*":
        chosen = [alarm for alarm in known.values() if alarm.state in OPEN]
    else:
        alarm = named(known, fields.get("line"))
        chosen = [alarm] if alarm.state in OPEN else []
    return heard_deed(desk, chosen)


def _aside(desk: Desk, known: Known, fields: Fields) -> Deed:
    """Put one aside for a time."""
    return shelve_deed(desk, named(known, fields.get("line")), fields.get("span"), fields.get("why"))


def _accept(desk: Desk, known: Known, fields: Fields) -> Deed:
    """Live with one until a date."""
    key = fields.get("line")
    return accept_deed(desk, named(known, key), key, fields.get("span"), fields.get("why"))


def _back(desk: Desk, known: Known, fields: Fields) -> Deed:
    """Have something count again that was put aside, accepted, or out of service."""
    how, key = fields.get("how"), fields.get("line")
    if how == "rest":
        return back_in_service_deed(desk, fields.get("sensor"))
    alarm = named(known, key)
    return unaccept_deed(desk, alarm, key) if how == "accepted" else unshelve_deed(desk, alarm)


def _rest(desk: Desk, known: Known, fields: Fields) -> Deed:
    """Take a sensor out of service for a time."""
    return rest_deed(desk, fields.get("sensor"), fields.get("span"), fields.get("why"))
