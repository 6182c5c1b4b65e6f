"""How a page has a deed worked out at a desk, written down, and told."""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request

from dashboards.pages.plain import plain_lines, upper
from dashboards.web.house import House
from dashboards.web.show import say
from dashboards.web.writing import TapKnownError, write
from monitor.desk import Deed, Desk


def desk_of(house: House, person: str | None, at: str | None = None) -> Desk:
    """Return a desk at this moment, for who acts.

    Raises:
        TimeError: The time cannot be read.
    """
    by = person if person in house.farm.people else None
    return Desk(house.farm, house.profiles, house.ledger.entries(), now=house.clock(), by=by, at=at)


def note(house: House, request: Request, desk: Desk, work: Callable[[Desk], Deed], *, tap: str | None = None) -> bool:
    """Have a deed worked out and written down, and have the next page tell it; False: this form was taken before.

    Raises:
        RefusedError: It cannot be; nothing was written.
    """
    deed = work(desk)
    try:
        write(house, deed.entries, tap=tap)
    except TapKnownError:
        return False
    mind = [f"Mind: {upper(line)}" for line in plain_lines(desk.warnings)]
    say(request, *plain_lines(deed.said)[:3], *mind[:2], *plain_lines(desk.care)[:1])
    return True
