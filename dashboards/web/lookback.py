"""The look-back over the web: which batches there are, how they are judged, the page to print, and its tables."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from dashboards.lookbackmake import Made, make
from dashboards.lookbackpage import lookback_css, to_zip
from dashboards.pages.lookback import build_lookbacks
from dashboards.web.house import House
from dashboards.web.show import back_to, say, show
from dashboards.web.writing import write
from monitor.desk import Desk
from monitor.errors import RefusedError
from monitor.judging import OutcomeWish, outcome_deed
from monitor.outcomes import SIGNS

_BEFORE = timedelta(days=400)


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Look-back."""

    def page(request: Request) -> Response:
        return show(request, house, "lookback.html", build_lookbacks(house.lookout.moment(house.clock()).tick))

    def printed(request: Request) -> Response:
        made = _made(house, request.path_params["batch"])
        photos = [f"/batch/photo/{name}" for name in made.found.facts.record.outcome.photos]
        return HTMLResponse(made.page(photos, style="/lookback/style.css"))

    def style(request: Request) -> Response:
        return Response(lookback_css(), media_type="text/css")

    def tables(request: Request) -> Response:
        batch = request.path_params["batch"]
        named = f'attachment; filename="lookback-{_plain(batch)}.zip"'
        content = to_zip(_made(house, batch).found)
        return Response(content, media_type="application/zip", headers={"Content-Disposition": named})

    def judged(request: Request) -> Response:
        said = _judge(request, house)
        say(request, *said)
        return back_to("/lookback")

    return [
        Route("/lookback", page, methods=["GET"]),
        Route("/lookback/style.css", style, methods=["GET"]),
        Route("/lookback/judge", judged, methods=["POST"]),
        Route("/lookback/{batch}/tables.zip", tables, methods=["GET"]),
        Route("/lookback/{batch}", printed, methods=["GET"]),
    ]


def _made(house: House, batch: str) -> Made:
    """Return the look-back on a batch."""
    now = house.clock()
    return make(
        house.farm, house.profiles, house.ledger.entries(), batch, house.store,
        now=now, sent=house.nudges(now - _BEFORE), model_folder=house.farm.storage.folder.parent,
    )  # fmt: skip


def _judge(request: Request, house: House) -> list[str]:
    """Write down how a batch turned out, by a form, and return what was noted and what to mind."""
    form = request.state.form or {}
    desk = Desk(
        house.farm, house.profiles, house.ledger.entries(), now=house.clock(), by=request.state.person
    )  # fmt: skip
    wish = OutcomeWish(
        batch=str(form.get("batch", "")),
        stand=_number(form, "stand", "stand"),
        evenness=_number(form, "evenness", "evenness"),
        off_types_pct=_number(form, "off_types", "off-types"),
        signs=tuple(sign for sign in SIGNS if form.get(f"sign-{sign}")),
        went=str(form.get("went", "")),
        why=str(form.get("why", "")),
    )
    deed = outcome_deed(desk, wish)
    write(house, deed.entries)
    return [*deed.said, *desk.care]


def _number(form: Mapping[str, object], key: str, what: str) -> float | None:
    """Return a number that a form holds; None where it is empty.

    Raises:
        RefusedError: It is no number.
    """
    text = str(form.get(key, "")).strip().replace(",", ".")
    try:
        return float(text) if text else None
    except ValueError as exc:
        raise RefusedError(f"{text!r} is no {what}; give a number") from exc


def _plain(batch: str) -> str:
    """Return a batch's name as a file may be called."""
    return "".join(each if each.isalnum() else "-" for each in batch)
