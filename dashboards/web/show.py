"""How a page becomes an answer: its template filled with one dataclass, and the frame that all pages share."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.web.gate import form_token
from dashboards.web.house import House

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A page that the frame leads to.

    Attributes:
        path: Where it is.
        name: What it is called.
    """

    path: str
    name: str


WAYS = (
    Way(path="/", name="Rounds"),
    Way(path="/racks", name="Racks"),
    Way(path="/alarms", name="Alarms"),
    Way(path="/ahead", name="Ahead"),
    Way(path="/lookback", name="Look-back"),
    Way(path="/sow", name="Sow"),
    Way(path="/sensors", name="Sensors"),
    Way(path="/labels", name="Labels"),
)
"""In this order; one whose page is not served is left out, and a farm without sensors hears no word of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What stands round every page.

    Attributes:
        farm: The farm's name.
        ways: The pages that the frame leads to.
        here: Path of the page shown.
        person: Who acts; None: nobody signed in.
        people: Who may act, on an open machine.
        may_write: Whether buttons are shown.
        is_open: Everybody at this machine is let in.
        is_simulated: The farm is the demo's.
        csrf: The form token.
        said: What the last deed brought, told once.
        style: Address of the stylesheet, with its version.
        script: Address of the script, with its version.
    """

    farm: str
    ways: tuple[Way, ...]
    here: str
    person: str | None
    people: tuple[str, ...]
    may_write: bool
    is_open: bool
    is_simulated: bool
    csrf: str
    said: tuple[str, ...]
    style: str
    script: str


@cache
def _environment() -> Environment:
    """Return the templates; everything that is put into them is escaped."""
    return Environment(
        loader=PackageLoader("dashboards"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def versioned(name: str) -> str:
    """Return the address of a static file, with a mark of its content behind it."""
    content = (files("dashboards") / "static" / name).read_bytes()
    return f"/static/{name}?v={hashlib.sha256(content).hexdigest()[:10]}"


def frame_of(request: Request, house: House) -> Frame:
    """Return the frame of one answer; what is said in it is said once."""
    session = request.state.session
    served = {getattr(route, "path", "") for route in request.app.routes}
    if not house.farm.sensors:
        served.discard("/sensors")  # a farm without sensors hears no word of them
    return Frame(
        farm=house.farm.name,
        ways=tuple(way for way in WAYS if way.path in served and (way.path != "/sensors" or house.farm.sensors)),
        here=request.url.path,
        person=request.state.person,
        people=tuple(house.farm.people),
        may_write=request.state.may_write,
        is_open=house.is_open,
        is_simulated=house.is_simulated,
        csrf=form_token(session),
        said=tuple(session.pop("said", ())),
        style=versioned("traywarden.css"),
        script=versioned("traywarden.js"),
    )


def show(
    request: Request,
    house: House,
    template: str,
    page: object,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return a page.

    Args:
        request: What was asked.
        house: The collaborators.
        template: Name inside templates/web, e.g. ``rounds.html``.
        page: The page's dataclass, called ``page`` in the template; beside it stands ``frame``.
        status: HTTP status.
        headers: More headers.
    """
    found = _environment().get_template(f"web/{template}")
    text = found.render(page=page, frame=frame_of(request, house))
    return HTMLResponse(text, status_code=status, headers=headers)


def say(request: Request, *lines: str) -> None:
    """Have the next page say something, once."""
    session = request.state.session
    session["said"] = [*session.get("said", []), *lines][-6:]


def back_to(path: str) -> Response:
    """Return the answer to a form that was taken: look at a page (POST, redirect, GET)."""
    return RedirectResponse(path, status_code=303)
