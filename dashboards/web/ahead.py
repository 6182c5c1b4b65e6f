"""The Ahead page, and what is entered there: promises, holds and their ends."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import date

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.findings import Tick
from alerts.promising import Asked, change_promise, end_promise, new_promise
from dashboards.pages.ahead import build_ahead
from dashboards.pages.plain import plain, upper
from dashboards.pages.promises import PromiseForm, every_of, next_day_of, read_promise
from dashboards.web.deeds import desk_of, note
from dashboards.web.house import House
from dashboards.web.show import back_to, show
from monitor.clock import local_day
from monitor.desk import Deed, Desk
from monitor.errors import RefusedError
from monitor.holding import hold_deed, release_deed
from monitor.promises import Promise
from monitor.standins import cover_deed, end_cover_deed

_WEEKS, _MOST_WEEKS = 4, 12
Pairs = list[tuple[str, str]]


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Ahead."""

    def shown(
        request: Request, *, form: PromiseForm | None = None, wrong: str = "", wrong_in: str = "", status: int = 200
    ) -> Response:
        now = house.clock()
        desk = desk_of(house, request.state.person)
        page = build_ahead(
            desk,
            house.lookout.moment(now).tick,
            weeks=_weeks(request),
            nonce=secrets.token_hex(16),
            form=form,
            wrong=wrong,
            wrong_in=wrong_in,
        )
        return show(request, house, "ahead.html", page, status=status)

    def page(request: Request) -> Response:
        return shown(request)

    def promise(request: Request) -> Response:
        pairs = _pairs(request)
        form, which = read_promise(pairs), dict(pairs).get("promise", "")
        tick = house.lookout.tick(house.clock())

        def work(desk: Desk) -> Deed:
            return _promise_deed(desk, tick, form, which, dict(pairs).get("what", "new"))

        return noted(request, work, form=form, which=which)

    def hold(request: Request) -> Response:
        said = dict(_pairs(request))
        lot, batch = said.get("lot", "").strip() or None, said.get("batch", "").strip() or None
        why = said.get("why", "")

        def work(desk: Desk) -> Deed:
            if said.get("what") == "release":
                return release_deed(desk, lot, batch, why)
            if lot and batch:
                raise RefusedError("a lot or a batch: name one of them")
            if not lot and not batch:
                raise RefusedError("what is put on hold? Name a seed lot or a batch")
            return hold_deed(desk, lot, batch, why)[1]

        return noted(request, work)

    def cover(request: Request) -> Response:
        said = dict(_pairs(request))

        def work(desk: Desk) -> Deed:
            if said.get("what") == "back":
                return end_cover_deed(desk, said.get("person", ""))
            first, last = said.get("first", "").strip(), said.get("last", "").strip()
            if not first:
                raise RefusedError("from which day to which?")
            person, standin = said.get("person", ""), said.get("standin") or None
            return cover_deed(desk, person, first, last or first, standin=standin, note=said.get("note", ""))

        return noted(request, work)

    def noted(
        request: Request, work: Callable[[Desk], Deed], *, form: PromiseForm | None = None, which: str = ""
    ) -> Response:
        tap = dict(_pairs(request)).get("nonce") or None
        try:
            note(house, request, desk_of(house, request.state.person), work, tap=tap)
        except RefusedError as exc:
            return shown(request, form=form, wrong=upper(plain(str(exc))), wrong_in=which, status=422)
        return back_to("/ahead")

    return [
        Route("/ahead", page, methods=["GET"]),
        Route("/ahead/promise", promise, methods=["POST"]),
        Route("/ahead/hold", hold, methods=["POST"]),
        Route("/ahead/cover", cover, methods=["POST"]),
    ]


def _pairs(request: Request) -> Pairs:
    """Return the text fields of a form."""
    posted = request.state.form
    return [(name, value) for name, value in posted.multi_items() if isinstance(value, str)] if posted else []


def _weeks(request: Request) -> int:
    """Return how far ahead is looked."""
    said = request.query_params.get("weeks", "")
    return min(max(int(said), 1), _MOST_WEEKS) if said.isascii() and said.isdigit() and len(said) < 4 else _WEEKS


def _trays(said: str) -> int | None:
    """Return a number of trays; None where none is said.

    Raises:
        RefusedError: It is no number.
    """
    if not said:
        return None
    if not (said.isascii() and said.isdigit() and len(said) < 5):
        raise RefusedError(f"{said!r} is no number of trays; give a whole number")
    return int(said)


def _promise_deed(desk: Desk, tick: Tick, form: PromiseForm, which: str, what: str) -> Deed:
    """Return what a form about a promise comes to: a new one, a change, a single day, or its end.

    Raises:
        RefusedError: It cannot be.
    """
    if what == "new":
        return new_promise(
            desk,
            tick,
            Asked(
                trays=_trays(form.trays),
                crop=form.crop or None,
                for_day=form.day or None,
                whom=form.whom or None,
                every=form.every or None,
                living=form.living == "yes",
            ),
        )
    if what == "end":
        return end_promise(desk, tick, which, Asked(from_day=form.since or None))
    if what == "only":
        return change_promise(desk, tick, which, Asked(trays=_trays(form.trays), only=form.only or None))
    known = tick.promises.get(which)
    today = local_day(tick.now, tick.farm.zone)
    return change_promise(desk, tick, which, _changes(form, known, today))


def _changes(form: PromiseForm, known: Promise | None, today: date) -> Asked:
    """Return what of a form differs from what holds."""
    trays = _trays(form.trays)
    living = form.living == "yes"
    if known is None:
        return Asked(trays=trays)
    old = known.terms_on(today)
    as_it_is = ("", old.for_on.isoformat(), next_day_of(known, today).isoformat())
    return Asked(
        trays=None if trays == old.trays else trays,
        for_day=None if form.day in as_it_is else form.day,
        whom=None if form.whom in ("", old.whom) else form.whom,
        every=None if form.every in ("", every_of(old)) else form.every,
        living=None if living == old.living else living,
        from_day=form.since or None,
    )
