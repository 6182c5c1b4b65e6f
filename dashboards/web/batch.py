"""The page of one batch: its days, its log, and what is entered about it; photos; what the scales saw."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.findings import Tick
from alerts.proposals import confirm_deed, named, proposals, refuse_deed
from dashboards.colours import Theme
from dashboards.daypicture import describe
from dashboards.pages.batch import PictureView, build_batch
from dashboards.pages.wishes import Filled, deed_of
from dashboards.pictures import Width
from dashboards.web.house import House
from dashboards.web.readings import newest
from dashboards.web.show import back_to, say, show
from dashboards.web.taps import Fields, Handler, Outcome, Tapped, fields_of, outcome_of
from dashboards.web.writing import TapKnownError, write
from monitor.amounts import say_time
from monitor.batches import Batch
from monitor.correcting import Change, correct_deed, withdraw_deed
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, PictureError, RefusedError
from monitor.fold import fold
from monitor.ledger import NewEntry
from monitor.stores.photos import keep_photo, read_photo
from monitor.undoing import last_answer, taken_back
from monitor.verbs import next_words

log = logging.getLogger(__name__)

ENTER, CORRECT, SEEN, UNDO = "/batch/enter", "/batch/correct", "/batch/seen", "/batch/undo"
_KEEP = {"Cache-Control": "private, max-age=86400, immutable"}
_THEMES: dict[str, Theme] = {"day": "day", "night": "night", "page": "page"}
_WIDTHS: dict[str, Width] = {"wide": "wide", "narrow": "narrow"}


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Batch."""

    def batch(request: Request) -> Response:
        return _page(request, house, request.path_params["batch"])

    def days(request: Request) -> Response:
        return _days(request, house)

    def photo(request: Request) -> Response:
        found = read_photo(request.path_params["name"], house.farm.storage.folder)
        return Response(
            found, media_type="image/jpeg", headers={**_KEEP, "Content-Security-Policy": "default-src 'none'"}
        )

    def take(path: str, handler: Handler) -> Route:
        def taken(request: Request) -> Response:
            return _take(request, house, path, handler)

        return Route(path, taken, methods=["POST"])

    return [
        *(take(path, handler) for path, handler in handlers(house).items()),
        Route("/batch/{batch}", batch),
        Route("/batch/{batch}/days/{key}.svg", days),
        Route("/photo/{name}", photo),
    ]


def handlers(house: House) -> dict[str, Handler]:
    """Return what takes the forms of Batch, at once or kept in a phone."""
    return {
        ENTER: lambda fields, tapped: enter(house, fields, tapped),
        CORRECT: lambda fields, tapped: correct(house, fields, tapped),
        SEEN: lambda fields, tapped: answer_seen(house, fields, tapped),
        UNDO: lambda fields, tapped: take_back(house, fields, tapped),
    }


def _found(tick: Tick, batch: str) -> Batch:
    """Return a batch by its number.

    Raises:
        NotFoundError: There is none.
    """
    found = tick.batches.get(batch)
    if found is None:
        raise NotFoundError(f"There is no batch {batch!r} in this farm's book.")
    return found


def _page(
    request: Request,
    house: House,
    batch_id: str,
    *,
    typed: Mapping[str, str] | None = None,
    wrong: str = "",
) -> Response:
    """Return the page of a batch, or the same with a form that was refused, as it was filled in."""
    now = house.clock()
    tick = house.lookout.moment(now).tick
    batch = _found(tick, batch_id)
    entries = house.ledger.entries()
    days = house.gallery.days(batch, tick, house.store.read, house.nudges)
    view = None
    if days is not None:
        key, picture = days
        with suppress(PictureError):  # the page has the words all the same
            house.gallery.pictures.warm([picture])
        view = PictureView(
            key=key,
            says=describe(picture),
            address=f"/batch/{batch.id}/days/{key}.svg",
            readings_until=say_time(picture.ends_at, house.farm.zone),
        )
    page = build_batch(
        batch,
        tick,
        entries,
        picture=days[1] if days is not None else None,
        view=view,
        latest=newest(house),
        seen=proposals(tick, entries),
        person=request.state.person,
        nonce=secrets.token_hex(8),
        typed=typed,
        opened=(typed or {}).get("deed", ""),
        wrong=wrong,
    )
    return show(request, house, "batch.html", page, status=422 if wrong else 200)


def _days(request: Request, house: House) -> Response:
    """Return the picture of a batch's days."""
    theme = _THEMES.get(request.query_params.get("theme", ""), "day")
    width = _WIDTHS.get(request.query_params.get("width", ""), "wide")
    picture = house.gallery.by_key(request.path_params["key"])
    headers = _KEEP
    if picture is None:  # it was let go; what holds now stands in for it
        tick = house.lookout.moment(house.clock()).tick
        batch = _found(tick, request.path_params["batch"])
        found = house.gallery.days(batch, tick, house.store.read, house.nudges)
        if found is None:
            raise NotFoundError(f"Nothing of batch {batch.id} has begun.")
        picture, headers = found[1], {"Cache-Control": "no-store"}
    try:
        svg = house.gallery.pictures.svg(picture, width=width, theme=theme)
    except PictureError as exc:  # the page has the words; the picture comes when it is next looked at
        log.warning("picture.not_drawn batch=%s why=%s", request.path_params["batch"], exc)
        return Response(status_code=503, headers={"Retry-After": "10"})
    policy = {"Content-Security-Policy": "default-src 'none'"}
    return Response(svg, media_type="image/svg+xml", headers={**headers, **policy})


def _take(request: Request, house: House, path: str, handler: Handler) -> Response:
    """Take a form without script: what is refused is shown again as it was filled in."""
    form: FormData | None = request.state.form
    fields = fields_of(form)
    batch = fields.get("batch")
    now = house.clock()
    key = hashlib.sha256(repr((path, sorted(_pairs(form)))).encode()).hexdigest()[:32]
    try:
        photo = _photo(house, form, batch)
    except RefusedError as exc:
        return _page(request, house, batch, typed=_typed(form), wrong=str(exc))
    if photo is not None:
        fields = Fields([*_pairs(form), ("kept_photo", photo)])
    outcome = outcome_of(handler, fields, Tapped(key=key, at=now, by=request.state.person, now=now))
    if outcome.word == "refused":
        return _page(request, house, batch, typed=_typed(form), wrong=outcome.says)
    say(request, *outcome.says.split("\n"))
    return back_to(f"/batch/{batch}")


def _pairs(form: FormData | None) -> list[tuple[str, str]]:
    """Return the text fields of a form, in order."""
    listed = [] if form is None else form.multi_items()
    return [(name, value) for name, value in listed if isinstance(value, str) and name not in ("csrf", "kept_photo")]


def _typed(form: FormData | None) -> dict[str, str]:
    """Return what stood in a form, by field."""
    return dict(_pairs(form))


def _photo(house: House, form: FormData | None, batch: str) -> str | None:
    """Keep the photo that came with a form, and return its name; None: none came."""
    for name, value in [] if form is None else form.multi_items():
        if name == "photo" and isinstance(value, UploadFile):
            raw = value.file.read()
            if raw:
                _found(house.lookout.moment(house.clock()).tick, batch)
                return keep_photo(raw, house.farm.storage.folder)
    return None


def _desk(house: House, fields: Fields, tapped: Tapped) -> Desk:
    """Return the desk at which a form is worked out: by whoever tapped, when it was tapped or as it says."""
    said = fields.get("at")
    desk = Desk(house.farm, house.profiles, house.ledger.entries(), now=tapped.now, by=tapped.by, at=said or None)
    if not said:
        desk.at = tapped.at
    return desk


def _noted(house: House, desk: Desk, deed: Deed, tapped: Tapped) -> Outcome:
    """Write a deed down, once, and tell it as the command line does."""
    with suppress(TapKnownError):  # it came twice over a bad line, and is noted already
        write(house, list(deed.entries), tap=tapped.key)
    batches = fold(house.ledger.entries())
    ahead = [
        f"Next: {words}."
        for batch in dict.fromkeys(entry.batch for entry in deed.entries)
        if batch in batches and (profile := house.profiles.get(batches[batch].crop)) is not None
        for words in next_words(batches[batch], profile, now=tapped.now, zone=house.farm.zone)
    ]
    lines = [
        *deed.said,
        *(f"Mind: {each}" for each in desk.warnings),
        *ahead[:2],
        *(f"Take care: {each}" for each in desk.care),
    ]
    return Outcome(word="done", says="\n".join(lines))


def enter(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Enter what a form about a batch says."""
    desk = _desk(house, fields, tapped)
    values = {name: value for name, value in _values(fields).items() if value}
    if fields.get("batch") not in desk.batches:
        raise NotFoundError(f"There is no batch {fields.get('batch')!r} in this farm's book.")
    filled = Filled(
        deed=fields.get("deed"), batch=fields.get("batch"), values=values, photo=fields.get("kept_photo") or None
    )
    return _noted(house, desk, deed_of(desk, filled), tapped)


def _values(fields: Fields) -> dict[str, str]:
    """Return what stands in the fields of a form."""
    return fields.after("")


def correct(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Correct an entry, or withdraw it; nothing is overwritten."""
    desk = _desk(house, fields, tapped)
    number = fields.get("entry")
    if not number.isdigit():
        raise RefusedError("This entry has no number; reload the page.")
    if fields.get("withdraw"):
        return _noted(house, desk, withdraw_deed(desk, int(number), fields.get("why")), tapped)
    trays = fields.get("trays")
    if trays and not trays.isdigit():
        raise RefusedError(f"{trays!r} is no number of trays; nothing was entered.")
    change = Change(
        at=bool(fields.get("at")),
        trays=int(trays) if trays else None,
        grams=fields.get("grams") or None,
        ml=fields.get("ml") or None,
        why=fields.get("why"),
    )
    return _noted(house, desk, correct_deed(desk, int(number), change), tapped)


def answer_seen(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Confirm or refuse what a scale saw."""
    desk = _desk(house, fields, tapped)
    found = proposals(house.lookout.tick(tapped.now), desk.entries)
    if not any(each.key == fields.get("key") for each in found):
        return Outcome(word="already", says="Somebody has answered this already; nothing was entered.")
    chosen = named(found, [fields.get("key")])
    if fields.get("says") == "right":
        return _noted(house, desk, confirm_deed(chosen, desk.by), tapped)
    return _noted(house, desk, refuse_deed(chosen, desk.by, desk.at, fields.get("why")), tapped)


def take_back(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Take back whole what whoever taps entered last."""
    entries = house.ledger.entries()
    answer = last_answer(entries, tapped.by)
    if not answer or fields.get("last") != str(answer[-1].id):
        return Outcome(word="already", says="Something else was entered meanwhile; nothing was taken back.")
    back: Sequence[NewEntry] = taken_back(answer, entries, at=tapped.now, by=tapped.by)
    with suppress(TapKnownError):
        write(house, list(back), tap=tapped.key)
    return Outcome(word="done", says="Taken back.")
